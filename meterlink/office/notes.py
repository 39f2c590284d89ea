"""Notes from the office to the crews, sent again until a crew's own log says that one was heard."""

import secrets
from collections.abc import Sequence

from sqlalchemy import insert, select

from meterlink.errors import UsageError
from meterlink.inbox import LONGEST_TEXT, OfficeNote, read_note
from meterlink.office.marks import mark
from meterlink.record.schema import MESSAGE
from meterlink.record.store import Store

_AGAIN_S = 60.0


class Postbox:
    """The notes of one office."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._sent: dict[str, float] = {}
        self._seen: set[str] = set()

    def write(self, device: str, text: str, by: str, utc_ns: int) -> str:
        """Keep a note, which is sent soon; return its id.

        Args:
            device: the crew's, as registered.
            text: what the technician is to hear, one line.
            by: who writes it.
            utc_ns: the time.

        Raises:
            UsageError: it is empty, too long, or cannot be said.
            RecordError: it cannot be saved.
        """
        note = OfficeNote(secrets.token_hex(8), text, by)
        sound = read_note(note.write())
        if sound is None:
            raise UsageError(f"a note has 1 to {LONGEST_TEXT} printable characters, and says by whom it is")
        row = {"id": note.id, "device": device, "text": sound.text, "by": sound.by, "utc_ns": utc_ns}
        with self._store.writing("the note is not kept") as connection:
            connection.execute(insert(MESSAGE), row)
            mark(connection, [f"note/{note.id}"])
        return note.id

    def seen(self, device: str) -> None:
        """Hear of a crew: what it has not heard is sent to it again."""
        self._seen.add(device)

    def due(self, now_s: float) -> Sequence[tuple[str, OfficeNote]]:
        """Return the notes to send now, each with its device."""
        seen, self._seen = self._seen, set()
        unheard = select(MESSAGE).where(MESSAGE.c.job.is_(None)).order_by(MESSAGE.c.utc_ns)
        with self._store.reading() as connection:
            rows = connection.execute(unheard).all()
        due = []
        for row in rows:
            if row.device in seen or now_s - self._sent.get(row.id, -_AGAIN_S) >= _AGAIN_S:
                self._sent[row.id] = now_s
                due.append((row.device, OfficeNote(row.id, row.text, row.by)))
        return due
