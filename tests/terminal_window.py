"""A terminal window for tests: a real pseudo-terminal with an emulator behind it that keeps the picture.

The emulator is pyte, a VT100-compatible library; it answers the cursor position request (ECMA-48, DSR 6), as terminals
do, and device control strings, which it does not know, are taken out, as terminals ignore those that they do not know.
"""

import fcntl
import os
import re
import select
import struct
import subprocess
import sys
import termios
import time
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Self

import pyte

from meterlink.home import VARIABLE
from waiting import PATIENCE_S

_CONTROL_STRING = re.compile(rb"\x1bP.*?\x1b\\", re.DOTALL)


class _Picture(pyte.Screen):
    """pyte's screen, with the way back to the program that a terminal has."""

    def __init__(self, columns: int, rows: int, keyboard: int) -> None:
        super().__init__(columns, rows)
        self._keyboard = keyboard

    def write_process_input(self, data: str) -> None:
        os.write(self._keyboard, data.encode())


class Window:
    """A `steadypoint` command running in a window of so many cells, with a home folder of its own."""

    def __init__(self, home: Path, *arguments: str, columns: int = 80, rows: int = 24) -> None:
        self._end, self.port = os.openpty()
        self.resize(columns, rows, draw=False)
        self._picture = _Picture(columns, rows, self._end)
        self._stream = pyte.ByteStream(self._picture)
        self._begun = b""
        self.written = b""
        """Every byte that the command has written."""
        self.modes_before = termios.tcgetattr(self.port)
        self.process = subprocess.Popen(
            [sys.executable, "-m", "meterlink", *arguments],
            stdin=self.port,
            stdout=self.port,
            stderr=self.port,
            preexec_fn=self._own_terminal,  # noqa: PLW1509 - one thread only; Ctrl-C goes to who owns the terminal
            env={**os.environ, "TERM": "xterm-256color", VARIABLE: str(home)},
        )

    def _own_terminal(self) -> None:
        os.setsid()
        fcntl.ioctl(self.port, termios.TIOCSCTTY, 0)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        if self.process.poll() is None:
            self.process.kill()
        self.process.wait()
        os.close(self._end)
        os.close(self.port)

    @property
    def rows(self) -> list[str]:
        """The picture, row by row, without the blanks at the end."""
        return [row.rstrip() for row in self._picture.display]

    @property
    def text(self) -> str:
        return "\n".join(self.rows)

    def press(self, keys: str) -> None:
        os.write(self._end, keys.encode())

    def keep_pressing(self, keys: str, every: float = 5.0) -> None:
        """Press keys again and again until the command has ended."""
        for _ in range(20):
            self.press(keys)
            with suppress(AssertionError):
                self.until(lambda: self.process.poll() is not None, every)
                return

    def resize(self, columns: int, rows: int, *, draw: bool = True) -> None:
        """Make the window that large; the emulator cuts or adds cells as terminals do."""
        fcntl.ioctl(self.port, termios.TIOCSWINSZ, struct.pack("HHHH", rows, columns, 0, 0))
        if draw:
            self._picture.resize(rows, columns)

    def until(self, seen: Callable[[], bool], seconds: float = PATIENCE_S) -> None:
        """Read on until something is seen; fail with the picture if it is not in time."""
        deadline = time.monotonic() + seconds
        while not seen():
            if time.monotonic() > deadline:
                raise AssertionError(f"not seen in {seconds} s; the window shows:\n{self.text}")
            self._read(0.05)

    def until_shown(self, text: str) -> None:
        self.until(lambda: text in self.text)

    def until_ended(self) -> int:
        """Wait for the command's end and return its exit status; what it wrote last is in the picture."""
        self.until(lambda: self.process.poll() is not None)
        while self._read(0.05):
            pass
        return self.process.wait()

    def _read(self, seconds: float) -> bool:
        if not select.select([self._end], [], [], seconds)[0]:
            return False
        data = os.read(self._end, 65_536)
        self.written += data
        whole = _CONTROL_STRING.sub(b"", self._begun + data)
        cut = whole.find(b"\x1bP")
        cut = len(whole) - whole.endswith(b"\x1b") if cut < 0 else cut
        self._begun = whole[cut:]
        self._stream.feed(whole[:cut])
        return True
