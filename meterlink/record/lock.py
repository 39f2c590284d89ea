"""One recorder a job, one relay a home folder. The lock is the operating system's: a killed holder leaves none."""

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
    advice = f"end that one first, or look on with: steadypoint show {job}"
    with only_one(folder, job, f"job {job} is being recorded by another Steadypoint", advice):
        yield


@contextmanager
def only_one(folder: Path, name: str, taken: str, advice: str = "end that one first") -> Iterator[None]:
    """Be the only process that does something in a home folder while the block runs.

    Args:
        folder: the home folder.
        name: of the lock.
        taken: what to say where another process does it; its process id is put behind.
        advice: what to do then.

    Raises:
        RecordError: another process does, or no lock can be made here.
    """
    locks = folder / "locks"
    # Beside the lock and not in it: some systems let nobody else read a file that is locked.
    holder = locks / f"{name}.pid"
    lock = FileLock(locks / f"{name}.lock", timeout=0)
    try:
        locks.mkdir(exist_ok=True)
        lock.acquire()
    except Timeout as error:
        raise RecordError(f"{taken} (process {_pid(holder)}); {advice}") from error
    except OSError as error:
        raise RecordError(f"{locks}: cannot lock {name} ({error.strerror})") from error
    try:
        holder.write_text(str(os.getpid()), encoding="ascii")
        yield
    finally:
        lock.release()


def _pid(holder: Path) -> str:
    # It is missing only in the moment between the holder's lock and its writing.
    return holder.read_text(encoding="ascii") if holder.exists() else "not yet known"
