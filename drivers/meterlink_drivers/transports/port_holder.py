"""Who holds a serial port: looked up in Linux's /proc; elsewhere nobody can be named."""

import os
from collections.abc import Iterator
from pathlib import Path

_PROC = Path("/proc")
_TERMINALS = Path("/dev/pts")


def lock_holder(port: str) -> str | None:
    """Name the program that has locked a port, such as `listen (process 4711)`; None where it cannot be told."""
    try:
        found = Path(port).stat()
        locks = (_PROC / "locks").read_text(encoding="ascii").splitlines()
    except OSError:
        return None
    place = f"{os.major(found.st_dev):02x}:{os.minor(found.st_dev):02x}:{found.st_ino}"
    for line in locks:
        # "3: FLOCK  ADVISORY  WRITE 4711 00:18:5 0 EOF" (proc_locks(5))
        _, kind, _, _, process, where, *_ = line.replace("->", "").split()
        if kind == "FLOCK" and where == place:
            return _named(process)
    return next(_users(port), None)


def other_user(port: str) -> str | None:
    """Name another program that has a port open without a lock, and would get part of its bytes; None: nobody is seen.

    A pseudo-terminal is open at its other end by design, and no one is named. Programs of other users are not seen.
    """
    return None if pseudo_terminal(port) else next(_users(port), None)


def pseudo_terminal(port: str) -> bool:
    """Tell whether a port is a program at the other end of a pair of terminals, and no line."""
    return _TERMINALS in Path(port).resolve().parents


def _users(port: str) -> Iterator[str]:
    target = os.path.realpath(port)
    for folder in sorted(_PROC.glob("[0-9]*/fd")):
        process = folder.parent.name
        if process != str(os.getpid()) and target in _open_files(folder):
            yield _named(process)


def _open_files(folder: Path) -> Iterator[str]:
    try:
        for link in folder.iterdir():
            yield str(link.readlink())
    except OSError:  # another user's, or gone in the meantime
        return


def _named(process: str) -> str:
    try:
        name = (_PROC / process / "comm").read_text(encoding="utf-8", errors="replace").strip()
    except OSError:
        name = "a program"
    return f"{name} (process {process})"
