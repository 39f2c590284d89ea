"""The store: jobs and their append-only logs, in one SQLite file or on a PostgreSQL server."""

import difflib
import hashlib
import secrets
from collections.abc import Collection, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import asdict, dataclass, fields, replace
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from sqlalchemy import Connection, Engine, Row, Select, insert, make_url, select
from sqlalchemy.exc import ArgumentError

from meterlink.errors import RecordError, UsageError
from meterlink.outcome import Json
from meterlink.procedure.model import Procedure
from meterlink.reading import NS_PER_S, Instant
from meterlink.record.chain import Line, canonical, digest, job_text
from meterlink.record.entry import Entry, Event, Kind, stored_event
from meterlink.record.file import open_file
from meterlink.record.schema import EVENT, JOB, SEAL
from meterlink.record.seal import Signer, seal
from meterlink.record.server import open_server
from meterlink.record.transaction import explained, writing

FILE_NAME = "record.sqlite3"

_SAYABLE = "cdfhjkmnpqrtvwxy34679"
"""No vowels, so no words; no two signs that look alike in handwriting (0 o, 1 i l, 2 z, 5 s, 8 b, 6 g)."""
_PAGE = 500
_MANY = 5000
"""Of the short lines of readings."""
AS_EVENT = (EVENT.c.seq, EVENT.c.kind, EVENT.c.monotonic_ns, EVENT.c.utc_ns, EVENT.c.body, EVENT.c.raw)
"""The columns that an event is read from."""


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
    lift: str | None = None
    """The installation's tag."""
    operator: str | None = None
    """Who works."""
    device: str | None = None
    """The public key of the device that records it, in hex."""
    sealing: str | None = None
    """`at-end`: sealed whenever it ends; `open`: only when told to."""
    sha256: str | None = None
    """The hash of the job's own line; None for a job of an older version, which is not chained."""

    @property
    def text(self) -> bytes:
        """The text of the job's own line in the chain: everything else, the time as decimal text."""
        own = {name: value for name, value in asdict(self).items() if name != "sha256"}
        return job_text(own | {"started_utc_ns": str(self.started_utc_ns)})

    @classmethod
    def unreadable(cls, job_id: str) -> Self:
        """Stand for a job's own line that is missing or cannot be read; no text has its hash."""
        nothing = dict.fromkeys(("procedure", "title", "revision", "source", "source_sha256", "meter", "software"), "")
        return cls(job_id, **nothing, meter_identity=None, started_utc_ns=0, utc_offset_s=0, sha256="")

    @classmethod
    def from_line(cls, written: Json) -> Self:
        """Read the `job` of such a line.

        Raises:
            KeyError, TypeError, ValueError: it is not in that form.
        """
        values: dict[str, Any] = {each.name: written[each.name] for each in fields(cls) if each.name != "sha256"}
        for name in ("started_utc_ns", "utc_offset_s"):
            values[name] = int(values[name])
        kinds = {each.name: each.type for each in fields(cls)}
        if wrong := [name for name, value in values.items() if not isinstance(value, kinds[name])]:  # type: ignore[arg-type]
            raise TypeError(f"{wrong[0]!r} is not what it must be")
        return cls(**values)


class Store:
    """The record of all jobs. Use it as a context manager, or close it.

    Nothing in it can be changed or removed, and readers never make the recorder wait.
    """

    def __init__(self, place: object, engine: Engine) -> None:
        """Take over an open database; `place` names it in messages."""
        self.place, self._engine = str(place), engine

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

    @classmethod
    def at(cls, url: str) -> Self:
        """Open the store that a URL names, made if there is none.

        Args:
            url: `sqlite:///PATH`, `postgresql://...` or `postgresql+psycopg://...`. A password is best left out of it:
                see `open_server`.

        Raises:
            UsageError: it is no such URL.
            RecordError: see `open_file` and `open_server`.
        """
        expected = "expected sqlite:///PATH or postgresql://USER@HOST/DATABASE"
        try:
            parsed = make_url(url)
        except (ArgumentError, ValueError) as error:
            raise UsageError(f"the store's URL cannot be read; {expected}") from error
        match parsed.drivername:
            case "sqlite" if parsed.database:
                path = Path(parsed.database).absolute()
                if not path.parent.is_dir():
                    raise UsageError(f"{path}: there is no folder {path.parent}")
                return cls(path, open_file(path, 5.0))
            case "postgresql" | "postgresql+psycopg":
                server = parsed.set(drivername="postgresql+psycopg")
                return cls(server.render_as_string(hide_password=True), open_server(server))
        raise UsageError(f"store {parsed.drivername}: is not supported; {expected}")

    def close(self) -> None:
        """Close the file, or the connections."""
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
        lift: str | None = None,
        operator: str | None = None,
        device: bytes | None = None,
        seals_at_end: bool = True,
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
            lift: the installation's tag.
            operator: who works.
            device: the public key of this device.
            seals_at_end: whether the job is sealed whenever it ends.
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
            lift=lift,
            operator=operator,
            device=device.hex() if device else None,
            sealing="at-end" if seals_at_end else "open",
        )
        with self.writing("the new job is not saved") as connection:
            job = replace(job, id=_free_id(connection, started_utc_ns))
            job = replace(job, sha256=digest(job.text).decode())
            connection.execute(insert(JOB), asdict(job))
            _append(connection, job.id, entries)
        return job.id

    def append(self, job: str, entries: Sequence[Entry], sealed_by: Signer | None = None) -> int:
        """Store entries at the end of a job's log in one durable transaction: all of them, or on an error none.

        When this returns, they are on the disk.

        Args:
            job: whose log.
            entries: in order.
            sealed_by: seals the log with these entries as its end; not one of an older version, without hashes.

        Returns:
            The number of the job's last entry.

        Raises:
            RecordError: nothing was saved; says what and why. The same call may be made again.
        """
        kinds = ", ".join(entry.kind.value for entry in entries)
        failed = f"not saved, {len(entries)} entries of job {job} ({kinds})"
        with self.writing(failed) as connection:
            head = _append(connection, job, entries)
            if sealed_by is not None and head.sha256:
                row = asdict(seal(job, head.seq, head.sha256, entries[-1].at.utc_ns, sealed_by))
                connection.execute(insert(SEAL), row)
            return head.seq

    def seal(self, job: str, signer: Signer, utc_ns: int) -> int:
        """Seal a job's log as it is now.

        Args:
            job: whose log.
            signer: the key of the device that recorded it.
            utc_ns: the wall clock.

        Returns:
            The number of events that the seal covers.

        Raises:
            RecordError: the job is another device's, of an older version, or sealed to its end already.
        """
        begun = self.job(job)
        with self.writing(f"job {job} is not sealed") as connection:
            head = _head(connection, job)
            if head.sha256 is None:
                raise RecordError(f"job {job} was made by an older version, without hashes; there is nothing to seal")
            if begun.device != signer.public_key.hex():
                raise RecordError(f"job {job} was recorded by another device; only that one can seal it")
            if connection.execute(select(SEAL.c.events).where(SEAL.c.job == job, SEAL.c.events == head.seq)).first():
                raise RecordError(f"job {job} is sealed already, with all its {head.seq} events")
            connection.execute(insert(SEAL), asdict(seal(job, head.seq, head.sha256, utc_ns, signer)))
        return head.seq

    def job(self, job_id: str) -> Job:
        """Return one job.

        Raises:
            RecordError: there is none of this id; names those nearest to it.
        """
        with self.reading() as connection:
            row = connection.execute(select(JOB).where(JOB.c.id == job_id)).one_or_none()
            if row is None:
                raise RecordError(f"no job {job_id!r}; {_nearest(connection, job_id)}")
        return _job(row)

    def jobs(self) -> list[Job]:
        """Return every job, newest first."""
        newest_first = select(JOB).order_by(JOB.c.started_utc_ns.desc(), JOB.c.id.desc())
        with self.reading() as connection:
            return [_job(row) for row in connection.execute(newest_first)]

    def last_number(self, job_id: str) -> int:
        """Return the number of a job's newest event; 0 where there is none."""
        newest = select(EVENT.c.seq).where(EVENT.c.job == job_id).order_by(EVENT.c.seq.desc()).limit(1)
        with self.reading() as connection:
            return connection.execute(newest).scalar() or 0

    def events(self, job_id: str, kinds: Collection[Kind] = tuple(Kind), *, after: int = 0) -> Iterator[Event]:
        """Return a job's log in order, read a page at a time so that no long read holds up the recorder.

        Args:
            job_id: whose log.
            kinds: only these.
            after: only events of a higher number.

        Raises:
            RecordError: there is no such job.
        """
        self.job(job_id)
        wanted = select(*AS_EVENT).where(EVENT.c.job == job_id)
        if set(kinds) != set(Kind):
            wanted = wanted.where(EVENT.c.kind.in_([kind.value for kind in kinds]))
        return map(event_of, self._pages(wanted, after, _PAGE))

    def displays(self, job_id: str, *, after: int = 0) -> Iterator[tuple[int, int, str]]:
        """Return number, monotonic nanoseconds and body of a job's readings in order, bodies as the text they are.

        Args:
            job_id: whose.
            after: only events of a higher number.
        """
        columns = select(EVENT.c.seq, EVENT.c.monotonic_ns, EVENT.c.body)
        wanted = columns.where(EVENT.c.job == job_id, EVENT.c.kind == Kind.READING.value)
        return map(tuple, self._pages(wanted, after, _MANY))

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """Open a connection that reads; for what has no method of its own here."""
        with explained(self.place, "cannot be read"), self._engine.connect() as connection:
            yield connection

    def watching(self) -> Connection:
        """Open a connection to keep, which sees what others commit; the caller closes it."""
        with explained(self.place, "cannot be read"):
            return self._engine.connect()

    @contextmanager
    def writing(self, failed: str) -> Iterator[Connection]:
        """Open a transaction that writes; `failed` says what is not done where it cannot be."""
        with explained(self.place, failed), writing(self._engine) as connection:
            yield connection

    def _pages(self, wanted: Select[Any], last: int, many: int) -> Iterator[Row[Any]]:
        """Read so many at a time, after the event of that number."""
        while True:
            page = wanted.where(EVENT.c.seq > last).order_by(EVENT.c.seq).limit(many)
            with self.reading() as connection:
                rows = connection.execute(page).all()
            yield from rows
            if len(rows) < many:
                return
            last = rows[-1].seq


@dataclass(frozen=True, slots=True)
class _Head:
    """The end of a log."""

    seq: int
    sha256: str | None
    """Its hash; None in a job without a chain."""


def _append(connection: Connection, job: str, entries: Sequence[Entry]) -> _Head:
    head = _head(connection, job)
    rows = []
    for entry in entries:
        row, head = _row(job, head, entry)
        rows.append(row)
    if rows:
        connection.execute(insert(EVENT), rows)
    return head


def _head(connection: Connection, job: str) -> _Head:
    last = select(EVENT.c.seq, EVENT.c.sha256).where(EVENT.c.job == job).order_by(EVENT.c.seq.desc()).limit(1)
    row = connection.execute(last).first()
    if row is not None:
        return _Head(row.seq, row.sha256)
    return _Head(0, connection.execute(select(JOB.c.sha256).where(JOB.c.id == job)).scalar())


def _row(job: str, head: _Head, entry: Entry) -> tuple[dict[str, object], _Head]:
    """Write an entry as a row, linked to the row before."""
    seq, at, body = head.seq + 1, entry.at, canonical(entry.body)
    sha256 = None
    if head.sha256 is not None:
        times = (str(at.monotonic_ns).encode(), str(at.utc_ns).encode())
        line = Line(seq, *times, entry.kind.value.encode(), body, entry.raw, head.sha256.encode(), b"")
        sha256 = digest(line.text).decode()
    row = {
        "job": job,
        "seq": seq,
        "kind": entry.kind.value,
        "monotonic_ns": at.monotonic_ns,
        "utc_ns": at.utc_ns,
        "body": body.decode(),
        "raw": entry.raw,
        "sha256": sha256,
    }
    return row, _Head(seq, sha256)


def event_of(row: Iterable[Any]) -> Event:
    """Read a row of the columns `AS_EVENT`."""
    seq, kind, monotonic_ns, utc_ns, body, raw = row
    return stored_event(kind, Instant(monotonic_ns, utc_ns), body, raw, seq)


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
