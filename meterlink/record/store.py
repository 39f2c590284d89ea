"""The store: jobs and their append-only logs in one SQLite file."""

import difflib
import hashlib
import json
import secrets
from collections.abc import Collection, Iterator, Sequence
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import Self

from sqlalchemy import Connection, Engine, Row, func, insert, select

from meterlink.errors import RecordError
from meterlink.outcome import Json
from meterlink.procedure.model import Procedure
from meterlink.reading import NS_PER_S, Instant
from meterlink.record.entry import Entry, Event, Kind
from meterlink.record.file import explained, open_file, writing
from meterlink.record.schema import EVENT, JOB

FILE_NAME = "record.sqlite3"

_SAYABLE = "cdfhjkmnpqrtvwxy34679"
"""No vowels, so no words; no two signs that look alike in handwriting (0 o, 1 i l, 2 z, 5 s, 8 b, 6 g)."""
_PAGE = 500


@dataclass(frozen=True, slots=True)
class Job:
    """One visit, as it began."""

    id: str
    procedure: str
    title: str
    revision: str
    source: str
    """The procedure file as it was, character for character."""
    source_sha256: str
    """Of the source in UTF-8, in hex."""
    meter: str
    """The METER address."""
    meter_identity: str | None
    """What the meter says it is; None for one that cannot tell."""
    software: str
    started_utc_ns: int
    """Nanoseconds since 1970-01-01T00:00:00Z."""
    utc_offset_s: int
    """Offset of the local time to show, in seconds east of UTC."""


class Store:
    """The record of all jobs. Use it as a context manager, or close it.

    Nothing in it can be changed or removed, and readers never make the recorder wait.
    """

    def __init__(self, path: Path, engine: Engine) -> None:
        self._path, self._engine = path, engine

    @classmethod
    def open(cls, folder: Path, *, busy_wait_s: float = 5.0) -> Self:
        """Open the store in a folder, made if there is none.

        Args:
            folder: an existing folder on a local disk.
            busy_wait_s: how long a write waits for another writer, in seconds.

        Raises:
            RecordError: see `open_file`.
        """
        path = folder / FILE_NAME
        return cls(path, open_file(path, busy_wait_s))

    def close(self) -> None:
        """Close the file."""
        self._engine.dispose()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def begin_job(
        self,
        procedure: Procedure,
        source: str,
        *,
        meter: str,
        meter_identity: str | None,
        software: str,
        started_utc_ns: int,
        utc_offset_s: int,
        entries: Sequence[Entry] = (),
    ) -> str:
        """Store a new job, with its first entries, in one durable transaction.

        Args:
            procedure: as read from `source`.
            source: the procedure file's text.
            meter: the METER address.
            meter_identity: what the meter says it is, if it does.
            software: name and version of this program.
            started_utc_ns: the wall clock, in nanoseconds since 1970-01-01T00:00:00Z.
            utc_offset_s: offset of the local time, in seconds east of UTC.
            entries: what is already known, such as the start entry.

        Returns:
            The job's id: its UTC date and a random end that is easily said, such as `20261125-k7m4`.

        Raises:
            RecordError: it is not saved; says why.
        """
        job = Job(
            id="",
            procedure=procedure.procedure,
            title=procedure.title,
            revision=procedure.revision,
            source=source,
            source_sha256=hashlib.sha256(source.encode()).hexdigest(),
            meter=meter,
            meter_identity=meter_identity,
            software=software,
            started_utc_ns=started_utc_ns,
            utc_offset_s=utc_offset_s,
        )
        with explained(self._path, "the new job is not saved"), writing(self._engine) as connection:
            job_id = _free_id(connection, started_utc_ns)
            connection.execute(insert(JOB), asdict(job) | {"id": job_id})
            _append(connection, job_id, entries)
        return job_id

    def append(self, job: str, entries: Sequence[Entry]) -> int:
        """Store entries at the end of a job's log in one durable transaction: all of them, or on an error none.

        When this returns, they are on the disk.

        Returns:
            The number of the job's last entry.

        Raises:
            RecordError: nothing was saved; says what and why. The same call may be made again.
        """
        kinds = ", ".join(entry.kind.value for entry in entries)
        failed = f"not saved, {len(entries)} entries of job {job} ({kinds})"
        with explained(self._path, failed), writing(self._engine) as connection:
            return _append(connection, job, entries)

    def job(self, job_id: str) -> Job:
        """Return one job.

        Raises:
            RecordError: there is none of this id; names those nearest to it.
        """
        with explained(self._path, "cannot be read"), self._engine.connect() as connection:
            row = connection.execute(select(JOB).where(JOB.c.id == job_id)).one_or_none()
            if row is None:
                raise RecordError(f"no job {job_id!r}; {_nearest(connection, job_id)}")
        return _job(row)

    def jobs(self) -> list[Job]:
        """Return every job, newest first."""
        newest_first = select(JOB).order_by(JOB.c.started_utc_ns.desc(), JOB.c.id.desc())
        with explained(self._path, "cannot be read"), self._engine.connect() as connection:
            return [_job(row) for row in connection.execute(newest_first)]

    def events(self, job_id: str, kinds: Collection[Kind] = tuple(Kind)) -> Iterator[Event]:
        """Return a job's log in order, read a page at a time so that no long read holds up the recorder.

        Args:
            job_id: whose log.
            kinds: only these.

        Raises:
            RecordError: there is no such job.
        """
        self.job(job_id)
        return self._pages(job_id, kinds)

    def _pages(self, job_id: str, kinds: Collection[Kind]) -> Iterator[Event]:
        wanted = select(EVENT).where(EVENT.c.job == job_id, EVENT.c.kind.in_([kind.value for kind in kinds]))
        last = 0
        while True:
            page = wanted.where(EVENT.c.seq > last).order_by(EVENT.c.seq).limit(_PAGE)
            with explained(self._path, "cannot be read"), self._engine.connect() as connection:
                rows = connection.execute(page).all()
            yield from map(_event, rows)
            if len(rows) < _PAGE:
                return
            last = rows[-1].seq


def body_text(body: Json) -> str:
    """Write a body as it is stored: JSON with sorted keys and no spaces."""
    return json.dumps(body, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False)


def _append(connection: Connection, job: str, entries: Sequence[Entry]) -> int:
    last: int = connection.execute(
        select(func.coalesce(func.max(EVENT.c.seq), 0)).where(EVENT.c.job == job)
    ).scalar_one()
    if entries:
        connection.execute(insert(EVENT), [_row(job, seq, entry) for seq, entry in enumerate(entries, last + 1)])
    return last + len(entries)


def _row(job: str, seq: int, entry: Entry) -> dict[str, object]:
    return {
        "job": job,
        "seq": seq,
        "kind": entry.kind.value,
        "monotonic_ns": entry.at.monotonic_ns,
        "utc_ns": entry.at.utc_ns,
        "body": body_text(entry.body),
        "raw": entry.raw,
    }


def _event(row: Row[tuple[object, ...]]) -> Event:
    at = Instant(row.monotonic_ns, row.utc_ns)
    return Event(Kind(row.kind), at, json.loads(row.body), row.raw, seq=row.seq)


def _job(row: Row[tuple[object, ...]]) -> Job:
    return Job(**row._mapping)


def _free_id(connection: Connection, started_utc_ns: int) -> str:
    day = datetime.fromtimestamp(started_utc_ns // NS_PER_S, UTC).strftime("%Y%m%d")
    while True:
        job_id = f"{day}-{''.join(secrets.choice(_SAYABLE) for _ in range(4))}"
        if connection.execute(select(JOB.c.id).where(JOB.c.id == job_id)).first() is None:
            return job_id


def _nearest(connection: Connection, job_id: str) -> str:
    ids = connection.execute(select(JOB.c.id)).scalars().all()
    near = difflib.get_close_matches(job_id, ids, n=3, cutoff=0)
    return f"nearest: {', '.join(near)}" if near else "the record holds no job yet"
