"""Jobs leave the office as a whole, as archives, once they have been kept for as long as their site wants.

A chain is never cut: first the archive is on the disk, read back and proven; then the job goes in one transaction that
leaves a tombstone with its head. A crew that asks hears that the office has everything, as before.
"""

import hashlib
import os
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from functools import partial
from pathlib import Path

from sqlalchemy import delete, insert, select

from meterlink.errors import RecordError
from meterlink.office.locks import hold_jobs
from meterlink.office.marks import mark
from meterlink.office.register import NO_SITE
from meterlink.record.archive import open_archive, write_archive
from meterlink.record.as_found import job_as_found, lines_as_found, seals_as_found
from meterlink.record.proof import prove
from meterlink.record.schema import DEVICE, EVENT, GONE, JOB, PHOTO_PART, PROGRESS, SEAL
from meterlink.record.store import Store
from meterlink.record.stored_photo import stored_photo

EVERY_SITE = "*"
_DAY_NS = 24 * 3600 * 10**9


@dataclass(frozen=True, slots=True)
class Retired:
    """A job that left."""

    job: str
    archive: Path


@dataclass(frozen=True, slots=True)
class _Due:
    job: str
    device: str
    site: str
    seq: int
    sha256: str
    sealed: int


def retire(store: Store, folder: Path, keep_days: Mapping[str, int], utc_ns: int) -> tuple[list[Retired], list[str]]:
    """Let the jobs go that have been kept for long enough since anything of them came.

    Args:
        store: the office's.
        folder: an existing folder, which the archives are written to.
        keep_days: by site, `EVERY_SITE` for all that are not named; a site without a number keeps everything.
        utc_ns: the time.

    Returns:
        The jobs that left, and what kept others from leaving, a sentence each.

    Raises:
        RecordError: the store cannot be read or written.
    """
    gone, troubles = [], []
    for due in _due(store, keep_days, utc_ns):
        try:
            path = _archived(store, folder, due)
            if _dropped(store, due, path, utc_ns):
                gone.append(Retired(due.job, path))
        except (RecordError, OSError) as error:
            troubles.append(f"job {due.job} stays: {error}")
    return gone, troubles


def _due(store: Store, keep_days: Mapping[str, int], utc_ns: int) -> list[_Due]:
    site = DEVICE.c.site.label("site")
    every = select(PROGRESS, site).join(DEVICE, DEVICE.c.name == PROGRESS.c.device, isouter=True)
    with store.reading() as connection:
        rows = connection.execute(every.order_by(PROGRESS.c.received_utc_ns)).all()
    found = []
    for row in rows:
        days = keep_days.get(row.site or NO_SITE, keep_days.get(EVERY_SITE))
        if days is not None and row.received_utc_ns < utc_ns - days * _DAY_NS:
            found.append(_Due(row.job, row.device, row.site or NO_SITE, row.seq, row.sha256, row.sealed))
    return found


def _archived(store: Store, folder: Path, due: _Due) -> Path:
    """Write the archive, unless an interrupted run has, and prove what was written."""
    job = job_as_found(store, due.job)
    if job is None:
        raise RecordError("its own line is missing")
    path = folder / f"{due.job}.zip"
    if not path.exists():
        begun = path.with_suffix(".part")
        begun.unlink(missing_ok=True)
        lines = lines_as_found(store, due.job, job.sha256 or "")
        photo = partial(stored_photo, store, due.job)
        write_archive(begun, job, lines, seals_as_found(store, due.job), photo)
        with begun.open("rb") as file:
            os.fsync(file.fileno())
        begun.rename(path)
    with open_archive(path) as archive:
        proof = prove(archive.job, archive.lines(), archive.seals, {}, recorded_here=False)
        last = max((line for line in archive.lines() if line is not None), key=lambda line: line.seq, default=None)
        head = job.sha256 if last is None else last.sha256.decode()
        whole = (archive.job.id, proof.events, head) == (due.job, due.seq, due.sha256)
    if not proof.intact or not whole:
        raise RecordError(f"{path} does not hold all of it, or not as it was; {' '.join(proof.troubles)}")
    return path


def _dropped(store: Store, due: _Due, path: Path, utc_ns: int) -> bool:
    """Drop the job and leave its tombstone, unless something of it came meanwhile."""
    with path.open("rb") as file:
        digest = hashlib.file_digest(file, "sha256").hexdigest()
    with store.writing(f"job {due.job} stays") as connection:
        hold_jobs(connection, [due.job])
        now = connection.execute(select(PROGRESS.c.seq, PROGRESS.c.sealed).where(PROGRESS.c.job == due.job)).first()
        if now is None or tuple(now) != (due.seq, due.sealed):
            return False
        tombstone = {"utc_ns": utc_ns, "archive": path.name, "archive_sha256": digest}
        connection.execute(insert(GONE), {**asdict(due), **tombstone})
        for table in (PHOTO_PART, SEAL, EVENT, PROGRESS):
            connection.execute(delete(table).where(table.c.job == due.job))
        connection.execute(delete(JOB).where(JOB.c.id == due.job))
        mark(connection, [f"gone/{due.job}", f"job/{due.job}"])
    return True
