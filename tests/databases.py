"""A real PostgreSQL that the tests start themselves, and an empty database in it for each test."""

import os
import shutil
import subprocess
import sys
import tempfile
import time
from contextlib import AbstractContextManager, nullcontext, suppress
from pathlib import Path
from typing import Self

import pytest

from brokers import free_port


def _found(name: str) -> str | None:
    debian = sorted(map(str, Path("/usr/lib/postgresql").glob("*/bin")), reverse=True)
    return shutil.which(name, path=":".join([*debian, os.environ.get("PATH", "")]))


INITDB = _found("initdb")
needs_postgresql = pytest.mark.skipif(
    INITDB is None and "CI" not in os.environ, reason="needs PostgreSQL (Debian package postgresql)"
)


class PostgreSQL:
    """One server, for the loopback interface alone. The server refuses to be root: then it runs as `postgres`."""

    def __init__(self) -> None:
        assert INITDB is not None, "PostgreSQL is not installed"
        self._bin = Path(INITDB).parent
        self.port = free_port()
        self._folder = Path(tempfile.mkdtemp(prefix="steadypoint-pg-"))
        self._data = self._folder / "data"
        self._databases = 0
        if os.getuid() == 0:
            shutil.chown(self._folder, "postgres", "postgres")

    def __enter__(self) -> Self:
        self._run("initdb", "-D", str(self._data), "-U", "steadypoint", "-A", "trust", "-E", "UTF8", "--no-sync")
        self._start()
        return self

    def __exit__(self, *_: object) -> None:
        with suppress(subprocess.CalledProcessError):
            self._run("pg_ctl", "-D", str(self._data), "-m", "immediate", "-w", "stop")
        shutil.rmtree(self._folder, ignore_errors=True)

    def crash(self) -> None:
        """Have it lose power, as far as a program can tell, and start again."""
        self._run("pg_ctl", "-D", str(self._data), "-m", "immediate", "-w", "stop")
        self._start()

    def database(self) -> str:
        """Make an empty database; return its URL."""
        self._databases += 1
        name = f"office_{os.getpid()}_{self._databases}_{time.time_ns() % 10**6}"
        self._run("createdb", "-h", "127.0.0.1", "-p", str(self.port), "-U", "steadypoint", name)
        return f"postgresql://steadypoint@127.0.0.1:{self.port}/{name}"

    def _start(self) -> None:
        options = f"-p {self.port} -c listen_addresses=127.0.0.1 -c unix_socket_directories={self._folder}"
        self._run("pg_ctl", "-D", str(self._data), "-o", options, "-l", str(self._folder / "log"), "-w", "start")

    def _run(self, program: str, *arguments: str) -> None:
        as_user = ["runuser", "-u", "postgres", "--"] if os.getuid() == 0 else []
        subprocess.run(
            [*as_user, str(self._bin / program), *arguments],
            check=True,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL if "-v" not in sys.argv else None,
            cwd="/",
            timeout=300,
        )


def one_if_asked_for() -> AbstractContextManager[PostgreSQL | None]:
    """Return the server that a script runs on where it was called with `--postgresql`, and takes that word away."""
    if "--postgresql" not in sys.argv:
        return nullcontext()
    sys.argv.remove("--postgresql")
    return PostgreSQL()
