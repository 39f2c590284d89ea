"""A real mosquitto on a free port, killed and started again as a test wants; and a network before it that fails."""

import asyncio
import os
import shutil
import signal
import socket
import subprocess
import time
from contextlib import suppress
from pathlib import Path

import pytest

from waiting import PATIENCE_S

MOSQUITTO = shutil.which("mosquitto", path=f"{os.environ.get('PATH', '')}:/usr/sbin:/usr/local/sbin")
needs_mosquitto = pytest.mark.skipif(
    MOSQUITTO is None and "CI" not in os.environ, reason="needs mosquitto (Debian package mosquitto)"
)


def free_port() -> int:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        return int(taken.getsockname()[1])


class Mosquitto:
    """One broker, open to all, on the loopback interface unless a test gives it another configuration."""

    def __init__(self, folder: Path, *, persistent: bool = True, more: str = "", listener: str = "") -> None:
        self.port = free_port()
        self._folder = folder
        folder.mkdir(exist_ok=True)
        self._config = folder / "mosquitto.conf"
        lines = [
            listener or f"listener {self.port} 127.0.0.1\nallow_anonymous true",
            "user root",  # only heeded by one that root started; else it would leave root's files behind
            f"persistence {str(persistent).lower()}",
            f"persistence_location {folder}/",
            "autosave_interval 1",
            f"log_dest file {folder}/mosquitto.log",
            more,
        ]
        self._config.write_text("\n".join(lines).replace("PORT", str(self.port)) + "\n", encoding="utf-8")
        self._process: subprocess.Popen[bytes] | None = None

    @property
    def url(self) -> str:
        return f"mqtt://127.0.0.1:{self.port}"

    def start(self) -> None:
        assert MOSQUITTO is not None, "mosquitto is not installed"
        self._process = subprocess.Popen([MOSQUITTO, "-c", str(self._config)], stderr=subprocess.DEVNULL)
        until = time.monotonic() + PATIENCE_S
        while time.monotonic() < until:
            with suppress(OSError), socket.create_connection(("127.0.0.1", self.port), timeout=1):
                return
            assert self._process.poll() is None, (self._folder / "mosquitto.log").read_text(encoding="utf-8")
            time.sleep(0.05)
        raise AssertionError("the broker does not listen")

    def kill(self, *, forget: bool = False) -> None:
        """Kill it with no chance to save; with `forget`, its disk is lost as well."""
        assert self._process is not None
        self._process.send_signal(signal.SIGKILL)
        self._process.wait()
        if forget:
            for path in self._folder.glob("*.db*"):
                path.unlink()

    def log(self) -> list[str]:
        return (self._folder / "mosquitto.log").read_text(encoding="utf-8", errors="replace").splitlines()

    def __enter__(self) -> "Mosquitto":
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        if self._process is not None and self._process.poll() is None:
            self.kill()


class BadNetwork:
    """A TCP proxy before a broker: passes on, delays, cuts, or swallows everything and says nothing."""

    def __init__(self, target: int) -> None:
        self.port = 0
        self._target = target
        self._server: asyncio.Server | None = None
        self._open: set[asyncio.Task[None]] = set()
        self.delay_s = 0.0
        self.bytes_per_s: float | None = None
        self._passes = asyncio.Event()
        self._passes.set()
        self.passed = 0

    @property
    def url(self) -> str:
        return f"mqtt://127.0.0.1:{self.port}"

    async def __aenter__(self) -> "BadNetwork":
        self._server = await asyncio.start_server(self._take, "127.0.0.1", 0)
        self.port = self._server.sockets[0].getsockname()[1]
        return self

    async def __aexit__(self, *_: object) -> None:
        assert self._server is not None
        self._server.close()
        self.cut()
        await asyncio.gather(*self._open, return_exceptions=True)

    def cut(self) -> None:
        """Close every connection."""
        for each in self._open:
            each.cancel()

    def swallow(self) -> None:
        """From now on, pass nothing on, and close nothing: a half-open link."""
        self._passes.clear()

    def heal(self) -> None:
        """Pass on again; what was swallowed meanwhile is lost with its connections."""
        self.cut()
        self._passes.set()

    async def _take(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        self._open.add(task)
        try:
            there, back = await asyncio.open_connection("127.0.0.1", self._target)
        except (OSError, asyncio.CancelledError):
            writer.transport.abort()
            self._open.discard(task)
            return
        try:
            await asyncio.gather(self._pass(reader, back), self._pass(there, writer))
        except (OSError, asyncio.CancelledError):
            pass
        finally:
            for each in (writer, back):
                each.transport.abort()
            self._open.discard(task)

    async def _pass(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        while data := await reader.read(4096):
            if not self._passes.is_set():
                await asyncio.Event().wait()  # held open, until it is cut
            if self.delay_s:
                await asyncio.sleep(self.delay_s)
            if self.bytes_per_s:
                await asyncio.sleep(len(data) / self.bytes_per_s)
            self.passed += len(data)
            writer.write(data)
            await writer.drain()
        raise OSError("the other side closed")
