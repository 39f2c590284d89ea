"""What the auditor's page asks of a record, wherever that lies; and this machine's own."""

import threading
from collections.abc import Collection, Iterator
from functools import partial
from pathlib import Path
from typing import Protocol

from meterlink.office.register import known_to
from meterlink.record.as_found import job_as_found, job_ids, lines_as_found, seals_as_found
from meterlink.record.entry import Event, Kind
from meterlink.record.photos import has_photo
from meterlink.record.proof import Proof
from meterlink.record.proven import proven
from meterlink.record.store import Job, Store
from meterlink.record.stored_photo import stored_photo


class Records(Protocol):
    """A record that is only read. Every method is called from threads, several at a time, and may take its time.

    Raises:
        RecordError: from any of them, what cannot be read, and why; `job` also where there is no such job.
    """

    def jobs(self) -> list[Job]:
        """Return every job, newest first."""

    def job(self, job_id: str) -> Job:
        """Return one job."""

    def last_number(self, job_id: str) -> int:
        """Return the number of a job's newest event; 0 where there is none."""

    def sealed_to(self, job_id: str) -> int:
        """Return the number of events that a job's last seal says it covers; 0 where there is no seal."""

    def events(self, job_id: str, kinds: Collection[Kind] = tuple(Kind), *, after: int = 0) -> Iterator[Event]:
        """Return a job's log in order, of these kinds, after an event of that number."""

    def displays(self, job_id: str, *, after: int = 0) -> Iterator[tuple[int, int, str]]:
        """Return number, monotonic nanoseconds and body of each reading in order, as stored: bodies are not parsed."""

    def prove(self, job_id: str) -> Proof:
        """Work out what chain and seals prove."""


class OwnRecords:
    """The record of this machine. It is opened when first asked: opening checks the whole file."""

    _recorded_here = True

    def __init__(self, folder: Path) -> None:
        """Name the folder of the record."""
        self._folder = folder
        self._opening = threading.Lock()
        self._opened: Store | None = None

    def close(self) -> None:
        """Close the file."""
        with self._opening:
            if self._opened is not None:
                self._opened.close()
                self._opened = None

    def jobs(self) -> list[Job]:
        """Return every job, newest first."""
        return self._store.jobs()

    def job(self, job_id: str) -> Job:
        """Return one job."""
        return self._store.job(job_id)

    def last_number(self, job_id: str) -> int:
        """Return the number of a job's newest event; 0 where there is none."""
        return self._store.last_number(job_id)

    def sealed_to(self, job_id: str) -> int:
        """Return the number of events that a job's last seal says it covers; 0 where there is no seal."""
        return max((seal.events for seal in seals_as_found(self._store, job_id)), default=0)

    def events(self, job_id: str, kinds: Collection[Kind] = tuple(Kind), *, after: int = 0) -> Iterator[Event]:
        """Return a job's log in order, of these kinds, after an event of that number."""
        return self._store.events(job_id, kinds, after=after)

    def displays(self, job_id: str, *, after: int = 0) -> Iterator[tuple[int, int, str]]:
        """Return number, monotonic nanoseconds and body of each reading in order, as stored."""
        return self._store.displays(job_id, after=after)

    def prove(self, job_id: str) -> Proof:
        """Work out what chain and seals prove, as `steadypoint verify` does."""
        store = self._store
        job = job_as_found(store, job_id)
        if job is None:
            job = Job.unreadable(job_id) if job_id in job_ids(store) else store.job(job_id)
        lines, seals = lines_as_found(store, job_id, job.sha256 or ""), seals_as_found(store, job_id)
        has_photo = partial(self._has_photo, job_id)
        known = known_to(store, self._folder)
        return proven(job, lines, seals, known, has_photo, recorded_here=self._recorded_here)

    def _has_photo(self, job_id: str, sha256: str) -> bool:
        return has_photo(self._folder, sha256)

    @property
    def _store(self) -> Store:
        with self._opening:
            if self._opened is None:
                self._opened = Store.open(self._folder)
            return self._opened


class OfficeRecords(OwnRecords):
    """What an office has taken in. The photos lie in its store, and the register knows the devices' keys."""

    _recorded_here = False

    def __init__(self, store: Store, folder: Path) -> None:
        """Take an office's open store, and the home folder with the keys that are known here besides."""
        super().__init__(folder)
        self._opened = store

    def _has_photo(self, job_id: str, sha256: str) -> bool:
        return stored_photo(self._store, job_id, sha256) is not None
