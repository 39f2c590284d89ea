"""A whole job as one file that another machine can import, verify and replay.

A ZIP file (APPNOTE 6.3) of these members, in this order:

- `READ-ME.txt`: what this is, for whoever has no Steadypoint.
- `job.json`: the job's own line, its hash as the last key `sha256`.
- `events.jsonl`: the log, a line of the chain each, its hash as the last key `sha256`.
- `seals.jsonl`: the seals, a canonical JSON object a line.
- `photos/SHA256`: the photos that notes name, as they were taken.

See `meterlink.record.chain` for the lines. Everything is written and read as a stream; the same job gives the same
bytes.
"""

import hashlib
import io
import json
import re
import struct
import zipfile
import zlib
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from meterlink.errors import RecordError
from meterlink.record.chain import Line, read_line
from meterlink.record.new_file import new_file
from meterlink.record.photos import ReadPhoto
from meterlink.record.seal import Seal
from meterlink.record.store import Job
from meterlink.record.written import NewerError, read_job, read_seal, seal_line, written_job

_LONGEST_LINE = 16 * 1024 * 1024
"""Bytes: procedure, circuit and sheets have at most half a megabyte each."""
_BLOCK = 1024 * 1024
_EPOCH = (1980, 1, 1, 0, 0, 0)
"""The oldest time that a ZIP file can state: when it was written is no matter."""
_DAMAGE = (zipfile.BadZipFile, zlib.error, EOFError, OSError, NotImplementedError, RuntimeError)
"""What reading a damaged ZIP file may raise."""
_PHOTO = re.compile(r"[0-9a-f]{64}")
_ABOUT = """\
The record of one job: readings of a meter at a lift, each verdict, and what it rests on.
A record of readings, not a permit to use the lift.

job.json, then each line of events.jsonl: JSON whose last key, sha256, is the SHA-256 of the same text without that key.
Each line of events.jsonl names in `prev` the sha256 of the line before; the first names that of job.json.
seals.jsonl: Ed25519 signatures. Signed is the canonical JSON (RFC 8785) of the object without the key `signature`.
photos/: each named by the SHA-256 of its bytes, which notes in events.jsonl name.
"""


def write_archive(path: Path, job: Job, lines: Iterable[Line], seals: Sequence[Seal], photo: ReadPhoto) -> None:
    """Write a job.

    Args:
        path: the new file.
        job: as found.
        lines: its log as found.
        seals: oldest first.
        photo: returns the bytes that have a hash; a photo that is not there is left out.

    Raises:
        RecordError: the job has no chain, there is a file of that name, or it cannot be written.
    """
    if job.sha256 is None:
        raise RecordError(f"job {job.id} was made by an older version, without hashes: an archive would prove nothing")
    with new_file(path), path.open("xb") as file, zipfile.ZipFile(file, "w") as archive:
        _put(archive, "READ-ME.txt", [_ABOUT.encode()])
        _put(archive, "job.json", [written_job(job), b"\n"])
        named: dict[str, None] = {}
        _put(archive, "events.jsonl", _noting_photos(lines, named))
        _put(archive, "seals.jsonl", (seal_line(seal) + b"\n" for seal in seals))
        for sha256 in named:
            if (data := photo(sha256)) is not None:
                _put(archive, f"photos/{sha256}", [data])


def _put(archive: zipfile.ZipFile, name: str, blocks: Iterable[bytes]) -> None:
    about = zipfile.ZipInfo(name, _EPOCH)
    about.compress_type = zipfile.ZIP_DEFLATED
    about.external_attr = 0o644 << 16
    with archive.open(about, "w", force_zip64=True) as member, io.BufferedWriter(member, _BLOCK) as buffer:
        for block in blocks:
            buffer.write(block)


def _noting_photos(lines: Iterable[Line], named: dict[str, None]) -> Iterator[bytes]:
    for line in lines:
        if b'"photo":{' in line.body:
            photo = json.loads(line.body).get("photo")
            if isinstance(photo, dict) and _PHOTO.fullmatch(str(photo.get("sha256"))):
                named[photo["sha256"]] = None
        yield line.written + b"\n"


class Archive:
    """An open archive, not yet trusted. Made by `open_archive`."""

    def __init__(self, path: Path, archive: zipfile.ZipFile) -> None:
        """Read what is small: the job's own line and the seals.

        Raises:
            RecordError: this is no archive of a job, or one of a newer version.
        """
        self._path, self._zip = path, archive
        self.job = self._job()
        self.seals = [read_seal(text) for text in self._read("seals.jsonl").splitlines()]

    def lines(self) -> Iterator[Line | None]:
        """Return the log as it stands in the file; None for a line that is none, and for all that cannot be read."""
        try:
            with self._zip.open("events.jsonl") as member, io.BufferedReader(member, _BLOCK) as file:  # type: ignore[type-var]
                while written := file.readline(_LONGEST_LINE):
                    yield read_line(written.removesuffix(b"\n"))
        except _DAMAGE:
            yield None
        except KeyError:
            return

    def photo(self, sha256: str) -> bytes | None:
        """Return the bytes of a photo that have this hash; None where there are none."""
        try:
            data = self._zip.read(f"photos/{sha256}") if _PHOTO.fullmatch(sha256) else b""
        except (KeyError, *_DAMAGE):
            return None
        return data if hashlib.sha256(data).hexdigest() == sha256 else None

    def _job(self) -> Job:
        try:
            return read_job(self._read("job.json").removesuffix(b"\n"))
        except NewerError as error:
            raise RecordError(f"{self._path}: this archive is of a newer Steadypoint; use that one") from error
        except (KeyError, TypeError, ValueError):
            return Job.unreadable("")

    def _read(self, name: str) -> bytes:
        try:
            with self._zip.open(name) as member:
                data = member.read(_LONGEST_LINE)
        except KeyError as error:
            raise RecordError(f"{self._path}: no archive of a job: it holds no {name}") from error
        except _DAMAGE as error:
            raise RecordError(f"{self._path}: the archive is damaged ({error})") from error
        return data


@contextmanager
def open_archive(path: Path) -> Iterator[Archive]:
    """Open an archive.

    Raises:
        RecordError: it is none, or damaged so that nothing of it can be read.
    """
    try:
        archive = zipfile.ZipFile(path)
    except OSError as error:
        raise RecordError(f"{path}: cannot be read ({error.strerror})") from error
    except (*_DAMAGE, ValueError, struct.error) as error:  # names that are no text, sizes that cannot be
        raise RecordError(f"{path}: no archive of a job, or a damaged one ({error})") from error
    with archive:
        yield Archive(path, archive)
