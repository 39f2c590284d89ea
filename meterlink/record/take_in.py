"""Takes a job out of an archive into the record: proven while it comes in, and never over one that is there."""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import asdict
from itertools import islice
from pathlib import Path

from sqlalchemy import Connection, insert, select

from meterlink.errors import RecordError
from meterlink.file_change import replace_bytes
from meterlink.record.archive import Archive
from meterlink.record.chain import Line
from meterlink.record.device_key import note_key
from meterlink.record.entry import Kind
from meterlink.record.photos import photo_path
from meterlink.record.proof import Proof, check_photos, prove
from meterlink.record.schema import EVENT, JOB, SEAL
from meterlink.record.store import Store

_BATCH = 5000
_KINDS = frozenset(kind.value.encode() for kind in Kind)


def take_in(archive: Archive, store: Store, folder: Path, known: Mapping[str, str]) -> Proof:
    """Import a job, with its photos, in one transaction: as a whole, or not at all.

    Args:
        archive: not yet trusted.
        store: the record.
        folder: the home folder, where photos and keys are kept.
        known: names of the keys that are known here, by public key in hex.

    Raises:
        RecordError: a job of this id is in the record, the archive is not intact, or it cannot be saved; nothing was
            changed.
    """
    job = archive.job
    with store.writing(f"job {job.id} is not imported") as connection:
        if connection.execute(select(JOB.c.id).where(JOB.c.id == job.id)).first() is not None:
            raise RecordError(f"job {job.id} is in the record already; nothing is overwritten")
        connection.execute(insert(JOB), asdict(job))
        lines = _storing(connection, job.id, archive.lines())
        proof = prove(job, lines, archive.seals, known, recorded_here=False)
        check_photos(proof, lambda sha256: archive.photo(sha256) is not None)
        if not proof.intact:
            raise RecordError(f"job {job.id} is not imported, since it is not intact: {' '.join(proof.troubles)}")
        if archive.seals:
            connection.execute(insert(SEAL), [asdict(each) for each in archive.seals])
        for sha256 in proof.photos:
            _keep_photo(photo_path(folder, sha256), archive.photo(sha256) or b"")
    for seal in archive.seals:
        note_key(folder, seal.public_key)
    return proof


def _storing(connection: Connection, job: str, lines: Iterable[Line | None]) -> Iterator[Line | None]:
    """Store the lines a batch at a time, on their way to the proof; a line that is none is for the proof to refuse."""
    pending = iter(lines)
    while batch := list(islice(pending, _BATCH)):
        whole = [line for line in batch if line is not None]
        if len(whole) == len(batch):
            if unknown := next((line for line in whole if line.kind not in _KINDS), None):
                raise RecordError(
                    f"job {job} holds an event of a kind that this Steadypoint does not know "
                    f"({unknown.kind.decode()}); use a newer one"
                )
            connection.execute(insert(EVENT), [event_row(job, line) for line in whole])
        yield from batch


def _keep_photo(path: Path, data: bytes) -> None:
    try:
        path.parent.mkdir(exist_ok=True)
        replace_bytes(path, data)
    except OSError as error:
        raise RecordError(f"{path}: the photo cannot be kept ({error.strerror})") from error


def event_row(job: str, line: Line) -> dict[str, object]:
    """Write a line as a row of the table."""
    return {
        "job": job,
        "seq": line.seq,
        "kind": line.kind.decode(),
        "monotonic_ns": int(line.monotonic_ns),
        "utc_ns": int(line.utc_ns),
        "body": line.body.decode(),
        "raw": line.raw,
        "sha256": line.sha256.decode(),
    }
