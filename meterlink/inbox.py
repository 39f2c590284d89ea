"""Notes from the office on their way to a check: one file each in `inbox/` of the home folder.

The check that takes a note keeps it in its log first, then marks the file: a note that comes twice is kept once. The
office sends it again until a log says that it was heard, so one that is lost on the way comes again.
"""

import json
import re
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from meterlink.file_change import replace_bytes

_FOLDER = "inbox"
_NEW, _TAKEN = ".note", ".taken"
_LONGEST = 8192
"""Bytes of one note as it comes."""
LONGEST_TEXT = 500
"""Signs: what can be said aloud in a minute."""
_ID = re.compile(r"[0-9a-f]{8,64}")


@dataclass(frozen=True, slots=True)
class OfficeNote:
    """A note from the office to the technician."""

    id: str
    text: str
    by: str
    """Who in the office wrote it."""

    def write(self) -> bytes:
        """Write it as it travels."""
        return json.dumps({"id": self.id, "text": self.text, "by": self.by}).encode()


def read_note(data: bytes) -> OfficeNote | None:
    """Read a note as it came; None where it is none."""
    try:
        body = json.loads(data[: _LONGEST + 1])
        note = OfficeNote(str(body["id"]), " ".join(str(body["text"]).split()), " ".join(str(body["by"]).split()))
    except (KeyError, TypeError, ValueError, RecursionError):
        return None
    sound = _ID.fullmatch(note.id) and note.text.isprintable() and note.by.isprintable()
    return note if sound and 0 < len(note.text) <= LONGEST_TEXT and len(note.by) <= 80 else None


def put_note(folder: Path, data: bytes) -> str | None:
    """Keep a note that came, unless it is there already.

    Returns:
        What went wrong, for the user; None where nothing did. The office sends it again until a log says it was heard.
    """
    note = read_note(data)
    if note is None:
        return "a note from the office could not be read; it was dropped"
    inbox = folder / _FOLDER
    try:
        inbox.mkdir(exist_ok=True)
        if not (inbox / f"{note.id}{_TAKEN}").exists():
            replace_bytes(inbox / f"{note.id}{_NEW}", note.write())
    except OSError as error:
        return f"a note from the office could not be kept in {inbox} ({error.strerror})"
    return None


def waiting_notes(folder: Path) -> list[OfficeNote]:
    """Return the notes that no check has taken yet, the oldest first."""
    found = []
    for path in (folder / _FOLDER).glob(f"*{_NEW}"):
        with suppress(OSError):  # another check took it in this moment
            found.append((path.stat().st_mtime_ns, path.read_bytes()))
    return [note for _, data in sorted(found) if (note := read_note(data)) is not None]


def mark_taken(folder: Path, note: OfficeNote) -> None:
    """Note that a check has it in its log; where that cannot be noted, the next check tells it once more."""
    inbox = folder / _FOLDER
    with suppress(OSError):  # two checks may have heard it: the other was quicker
        (inbox / f"{note.id}{_NEW}").replace(inbox / f"{note.id}{_TAKEN}")
