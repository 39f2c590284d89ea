"""A raw pseudo-terminal (POSIX): a real serial port's near end, without a line behind it."""

import os
import tty
from contextlib import suppress

_BLOCK = 4096


class RawPty:
    """Both ends, open. `name` is the port to open; the other end is the meter's."""

    def __init__(self) -> None:
        self._ends = os.openpty()
        for end in self._ends:
            tty.setraw(end)  # the port's end stays open too: without it a port that nobody reads would be gone
        os.set_blocking(self._ends[0], False)
        self.name = os.ttyname(self._ends[1])

    def fileno(self) -> int:
        """The meter's end, to wait for."""
        return self._ends[0]

    def read(self) -> bytes:
        """Take what was sent to the meter."""
        with suppress(BlockingIOError):
            return os.read(self._ends[0], _BLOCK)
        return b""

    def write(self, data: bytes) -> None:
        """Send to the port; what nobody reads is lost once the terminal's buffer is full, as on a real line."""
        with suppress(BlockingIOError):
            os.write(self._ends[0], data)

    def close(self) -> None:
        """Pull the cable: whoever reads the port sees it end."""
        for end in self._ends:
            os.close(end)
