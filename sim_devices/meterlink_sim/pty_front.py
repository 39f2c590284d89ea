"""A simulated meter on a pseudo-terminal (POSIX), with a name that stays while the port's own name changes."""

from collections.abc import Sequence
from contextlib import ExitStack
from pathlib import Path

from meterlink.driver import LineSettings
from meterlink_sim.front import Front, Selectable
from meterlink_sim.peer import SimulatedMeter
from meterlink_sim.raw_pty import RawPty
from meterlink_sim.uart import received


class PtyFront(Front):
    """The port of an adapter that can be pulled and plugged in again under another name.

    A pseudo-terminal has no line: speed and parity that the reader asks for change nothing. Characters of seven bits
    come as a port set to 8N1 hears them, the parity in bit 7, or stripped of it as from a port set rightly.
    """

    def __init__(
        self, meter: SimulatedMeter, speed: float = 1.0, link: Path | None = None, parity_left_in: bool = True
    ) -> None:
        """Prepare the port; nothing is open yet.

        Args:
            meter: who sits behind the port.
            speed: how many of the meter's seconds pass in a real one.
            link: the port's lasting name, a symbolic link, as `/dev/serial/by-id` has them; gone while unplugged.
            parity_left_in: whether seven-bit characters come with their parity bit.
        """
        super().__init__(meter, speed)
        self._link = link
        self._pty: RawPty | None = None
        line = meter.wire.line
        self._heard = LineSettings(line.baud) if parity_left_in else line
        self.name = ""
        """The port's own name, while or since it was last plugged in."""

    @property
    def where(self) -> str:
        """The METER address of the lasting name; without one, of the port's own."""
        return f"serial:{self._link or self.name}"

    def unplug(self) -> None:
        """Pull the cable; the meter runs on."""
        self._ask(self._close)

    def replug(self) -> None:
        """Plug the cable in again; the port's own name is never the one before."""
        self._ask(self._open)

    def _open(self) -> None:
        with ExitStack() as surplus:
            pty = RawPty()
            while pty.name == self.name:
                surplus.callback(pty.close)
                pty = RawPty()
        self._pty, self.name = pty, pty.name
        if self._link is not None:
            self._link.symlink_to(self.name)

    def _close(self) -> None:
        if self._pty is None:
            return
        self._pty.close()
        self._pty = None
        if self._link is not None:
            self._link.unlink()

    def _ends(self) -> Sequence[Selectable]:
        return () if self._pty is None else (self._pty,)

    def _take(self, _end: Selectable) -> bytes:
        return b"" if self._pty is None else self._pty.read()

    def _put(self, data: bytes) -> None:
        if self._pty is not None:
            self._pty.write(received(data, self.meter.wire.line, self._heard))
