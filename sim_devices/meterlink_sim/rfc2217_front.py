"""A simulated meter behind a network adapter that carries the line settings too (RFC 2217).

pyserial's own `PortManager` speaks the protocol. The port in front of it is a dummy that notes what is asked for; the
meter is heard through it bit by bit, so that it is understood only with the settings that it uses itself.
"""

import socket
from collections.abc import Callable

from serial.rfc2217 import PortManager

from meterlink.driver import LineSettings
from meterlink_sim.front import Selectable
from meterlink_sim.peer import SimulatedMeter
from meterlink_sim.tcp_front import TcpFront
from meterlink_sim.uart import received


class AdapterPort:
    """The adapter's serial port, as `PortManager` sees one. DTR and RTS are low until somebody raises them."""

    cts = dsr = ri = cd = False

    def __init__(self, changed: Callable[["AdapterPort"], None]) -> None:
        """Make a port; `changed` is called after each setting."""
        self._changed: Callable[[AdapterPort], None] | None = None
        self.baudrate = 9600
        self.bytesize = 8
        self.parity = "N"
        self.stopbits = 1.0
        self.dtr = False
        self.rts = False
        self.xonxoff = False
        self.rtscts = False
        self._changed = changed

    def __setattr__(self, name: str, value: object) -> None:
        super().__setattr__(name, value)
        if name != "_changed" and self._changed is not None:
            self._changed(self)

    @property
    def line(self) -> LineSettings:
        """The settings as they are now."""
        return LineSettings(self.baudrate, self.bytesize, self.parity, self.stopbits, self.dtr, self.rts)

    def reset_input_buffer(self) -> None:
        """Nothing is kept here."""

    def reset_output_buffer(self) -> None:
        """Nothing is kept here."""


class Rfc2217Front(TcpFront):
    """The adapter, for one client at a time; a second one is turned away."""

    def __init__(self, meter: SimulatedMeter, speed: float = 1.0, port: int = 0) -> None:
        """Prepare the adapter; nothing is open yet. Arguments as for `TcpFront`."""
        super().__init__(meter, speed, port)
        self.lines: list[LineSettings] = []
        """What the line was set to, one after the other, since the last client came."""
        self._adapter = AdapterPort(self._note)
        self._manager: PortManager | None = None

    @property
    def where(self) -> str:
        """The METER address of the adapter."""
        return f"serial:rfc2217://127.0.0.1:{self.port}"

    def write(self, data: bytes) -> None:
        """Send an answer of the protocol; the manager calls this."""
        super()._put(data)

    def _note(self, port: AdapterPort) -> None:
        self.lines.append(port.line)
        self.meter.set_lines(port.dtr, port.rts)

    def _greet(self, client: socket.socket) -> None:
        if self._clients:
            client.close()
            return
        super()._greet(client)
        self.lines = []
        self._adapter = AdapterPort(self._note)
        self._manager = PortManager(self._adapter, self)  # type: ignore[arg-type]  # the stubs ask for too much

    def _lose(self, client: socket.socket) -> None:
        super()._lose(client)
        self._drop_lines()

    def _cut(self, reset: bool) -> None:
        super()._cut(reset)
        self._drop_lines()

    def _drop_lines(self) -> None:
        self._manager = None
        self.meter.set_lines(dtr=False, rts=False)

    def _take(self, end: Selectable) -> bytes:
        data = super()._take(end)
        if self._manager is None or not data:
            return b""
        return b"".join(self._manager.filter(data))

    def _put(self, data: bytes) -> None:
        if self._manager is not None:
            heard = received(data, self.meter.wire.line, self._adapter.line)
            super()._put(b"".join(self._manager.escape(heard)))
