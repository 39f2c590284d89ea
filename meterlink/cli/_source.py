"""Where a job comes from: the record, an archive, or another database file."""

import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from meterlink.errors import RecordError, UsageError
from meterlink.reading import Instant
from meterlink.record.archive import Archive, open_archive
from meterlink.record.as_found import job_as_found, job_ids, lines_as_found, seals_as_found
from meterlink.record.backup import back_up
from meterlink.record.chain import Line
from meterlink.record.entry import Event, stored_event
from meterlink.record.photos import ReadPhoto, photos_in
from meterlink.record.seal import Seal
from meterlink.record.store import FILE_NAME, Job, Store
from meterlink.record.stored_photo import stored_photo

_SQLITE = b"SQLite format 3\0"
"""How such a file begins (SQLite, "Database File Format", section 1.3)."""


@dataclass(frozen=True, slots=True)
class Source:
    """One job, wherever it lies, not yet trusted."""

    job: Job
    seals: list[Seal]
    recorded_here: bool
    store: Store | None = None
    archive: Archive | None = None
    photos: ReadPhoto = lambda sha256: None
    """Reads them; an archive has its own."""

    def lines(self) -> Iterator[Line | None]:
        """Its log as found."""
        if self.archive is not None:
            return self.archive.lines()
        assert self.store is not None  # noqa: S101 - one of both is given
        return lines_as_found(self.store, self.job.id, self.job.sha256 or "")

    def events(self) -> Iterator[Event]:
        """Its log, read back.

        Raises:
            RecordError: an event cannot be read.
        """
        if self.store is not None:
            return self.store.events(self.job.id)
        return map(_event, self.lines())

    def has_photo(self, sha256: str) -> bool:
        """Tell whether the bytes of this hash are there."""
        return self.photo(sha256) is not None

    def photo(self, sha256: str) -> bytes | None:
        """Return the photo that has this hash; None where it is not there."""
        return self.archive.photo(sha256) if self.archive is not None else self.photos(sha256)


@contextmanager
def open_sources(name: str, folder: Path, store_url: str | None = None) -> Iterator[Iterator[Source]]:
    """Open what a user names: a file where there is one of that name, else a job of the record.

    Args:
        name: an archive, a database file, or a job's id.
        folder: the home folder.
        store_url: another store to look for the job in, such as the office's.

    Raises:
        UsageError: the URL is none.
        RecordError: there is no such job, or the file is neither.
    """
    path = Path(name)
    if store_url is not None:
        with Store.at(store_url) as store:
            yield iter([_of(store, name, partial(stored_photo, store, name), recorded_here=False)])
    elif not path.is_file():
        with Store.open(folder) as store:
            yield iter([_of(store, name, photos_in(folder), recorded_here=True)])
    elif _is_database(path):
        # A copy is looked at, which may be brought to the newest layout; the file is only read.
        with tempfile.TemporaryDirectory() as copy:
            back_up(path, Path(copy) / FILE_NAME)
            with Store.open(Path(copy)) as store:
                yield (_of(store, job, photos_in(path.parent), recorded_here=False) for job in job_ids(store))
    else:
        with open_archive(path) as archive:
            yield iter([Source(archive.job, archive.seals, recorded_here=False, archive=archive)])


@contextmanager
def open_source(name: str, folder: Path, store_url: str | None = None) -> Iterator[Source]:
    """Open the one job that a user names; see `open_sources`.

    Raises:
        UsageError: the file holds several, or none.
    """
    with open_sources(name, folder, store_url) as sources:
        found = list(sources)
        if len(found) != 1:
            raise UsageError(f"{name} holds {len(found)} jobs; export the one you mean, or copy the file to a record")
        yield found[0]


def _of(store: Store, job_id: str, photos: ReadPhoto, *, recorded_here: bool) -> Source:
    job = job_as_found(store, job_id)
    if job is None:
        if job_id not in job_ids(store):
            store.job(job_id)  # says so, and which ids are near
        job = Job.unreadable(job_id)
    return Source(job, seals_as_found(store, job_id), recorded_here=recorded_here, store=store, photos=photos)


def _is_database(path: Path) -> bool:
    with path.open("rb") as file:
        return file.read(len(_SQLITE)) == _SQLITE


def _event(line: Line | None) -> Event:
    try:
        if line is None:
            raise ValueError("it is no line of a log")
        at = Instant(int(line.monotonic_ns), int(line.utc_ns))
        return stored_event(line.kind.decode(), at, line.body.decode(), line.raw, line.seq)
    except ValueError as error:
        where = f"event {line.seq}" if line else "an event"
        raise RecordError(f"{where} in the archive cannot be read ({error}); see: steadypoint verify") from error
