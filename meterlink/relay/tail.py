"""Follows the record's file: which jobs there are, how far each goes, and their lines. Reads only."""

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import islice
from types import TracebackType
from typing import Self

from sqlalchemy import Connection, text

from meterlink.record.as_found import job_as_found, lines_as_found, seals_as_found
from meterlink.record.chain import Line
from meterlink.record.seal import Seal
from meterlink.record.store import Job, Store

_HEADS = text(
    "SELECT id, coalesce((SELECT max(seq) FROM event WHERE event.job = job.id), 0) AS seq, "
    "coalesce((SELECT max(events) FROM seal WHERE seal.job = job.id), 0) AS sealed "
    "FROM job WHERE device = :device AND sha256 IS NOT NULL ORDER BY started_utc_ns DESC, id DESC"
)
_HASH = text("SELECT sha256 FROM event WHERE job = :job AND seq = :seq")
_PHOTO_NOTES = text(
    "SELECT body FROM event WHERE job = :job AND seq > :after AND kind = 'note' AND body LIKE '%\"photo\":{%'"
)
_JOBS_IN_MIND = 64


@dataclass(frozen=True, slots=True)
class Head:
    """How far a job's log goes."""

    job: str
    seq: int
    sealed: int
    """The last line that a seal covers; 0 for none."""


class Tail:
    """One reader of the record, with a connection of its own. Use it as a context manager."""

    def __init__(self, store: Store, device_key: str) -> None:
        """Follow the jobs that this device recorded: those of others are theirs to send."""
        self._store, self._device = store, device_key
        self._watching: Connection | None = None
        self._version: object = None
        self._jobs: dict[str, Job] = {}

    def __enter__(self) -> Self:
        self._watching = self._store.watching()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._watching is not None:
            self._watching.close()

    def changed(self) -> bool:
        """Tell whether anyone has committed since the last call; costs a few microseconds.

        SQLite's `data_version` changes for a connection whenever another one commits.
        """
        assert self._watching is not None  # noqa: S101 - it is a context manager
        version = self._watching.exec_driver_sql("PRAGMA data_version").scalar()
        before, self._version = self._version, version
        return version != before

    def heads(self) -> list[Head]:
        """Return every job, newest first."""
        with self._store.reading() as connection:
            return [Head(*row) for row in connection.execute(_HEADS, {"device": self._device})]

    def job(self, job_id: str) -> Job:
        """Return a job's own line."""
        if job_id not in self._jobs:
            if len(self._jobs) >= _JOBS_IN_MIND:
                self._jobs.clear()
            self._jobs[job_id] = job_as_found(self._store, job_id) or Job.unreadable(job_id)
        return self._jobs[job_id]

    def hash_at(self, job_id: str, seq: int) -> str | None:
        """Return the hash of a line; None where there is none."""
        if seq == 0:
            return self.job(job_id).sha256
        with self._store.reading() as connection:
            found = connection.execute(_HASH, {"job": job_id, "seq": seq}).scalar()
        return found if isinstance(found, str) else None

    def lines(self, job_id: str, first: int, most: int, most_bytes: int) -> list[Line]:
        """Return lines from one number on: at least one where there is one, else no more than fit."""
        before = self.hash_at(job_id, first - 1) or ""
        return list(_fitting(islice(lines_as_found(self._store, job_id, before, first - 1), most), most_bytes))

    def seals(self, job_id: str, after: int, up_to: int) -> list[Seal]:
        """Return the seals of lines behind one, up to another."""
        return [seal for seal in seals_as_found(self._store, job_id) if after < seal.events <= up_to]

    def photo_notes(self, job_id: str, after: int) -> list[str]:
        """Return the bodies of notes with a photo, behind a line."""
        with self._store.reading() as connection:
            found = connection.execute(_PHOTO_NOTES, {"job": job_id, "after": after}).scalars()
            return [str(body) for body in found]


def _fitting(lines: Iterator[Line], most_bytes: int) -> Iterator[Line]:
    size = 0
    for line in lines:
        size += len(line.body) + 2 * len(line.raw) + 300
        if size > most_bytes and size != len(line.body) + 2 * len(line.raw) + 300:
            return
        yield line
