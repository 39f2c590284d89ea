"""One recorder a job. The lock is the operating system's, so a killed recorder leaves none behind."""

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from filelock import FileLock, Timeout

from meterlink.errors import RecordError


@contextmanager
def recording(folder: Path, job: str) -> Iterator[None]:
    """Be the only recorder of a job while the block runs.

    Args:
        folder: the home folder.
        job: id of a job that is in the record.

    Raises:
        RecordError: another process records this job (names its process id), or no lock can be made here.
    """
    locks = folder / "locks"
    # Beside the lock and not in it: some systems let nobody else read a file that is locked.
    holder = locks / f"{job}.pid"
    lock = FileLock(locks / f"{job}.lock", timeout=0)
    try:
        locks.mkdir(exist_ok=True)
        lock.acquire()
    except Timeout as error:
        raise RecordError(
            f"job {job} is being recorded by another Steadypoint (process {_pid(holder)}); "
            f"end that one first, or look on with: steadypoint show {job}"
        ) from error
    except OSError as error:
        raise RecordError(f"{locks}: cannot lock job {job} ({error.strerror})") from error
    try:
        holder.write_text(str(os.getpid()), encoding="ascii")
        yield
    finally:
        lock.release()


def _pid(holder: Path) -> str:
    # It is missing only in the moment between the holder's lock and its writing.
    return holder.read_text(encoding="ascii") if holder.exists() else "not yet known"
