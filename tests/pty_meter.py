"""A meter on a pseudo-terminal, for tests of serial ports."""

import os
import tty
from typing import Self


class Pty:
    """A raw pseudo-terminal: `name` is the port, `send` the meter, `unplug` pulls the cable."""

    def __init__(self) -> None:
        self.meter, self._port = os.openpty()
        for end in (self.meter, self._port):
            tty.setraw(end)
        self.name = os.ttyname(self._port)
        self._plugged = True

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.unplug()

    def send(self, data: bytes) -> None:
        os.write(self.meter, data)

    def unplug(self) -> None:
        if self._plugged:
            self._plugged = False
            os.close(self.meter)
            os.close(self._port)
