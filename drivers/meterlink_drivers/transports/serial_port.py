"""Transport `serial:PORT`: a serial port by name, or any URL that pyserial knows (`socket://`, `rfc2217://`).

A thread waits in the port's blocking read, stamps what comes and hands it to the event loop. That works alike on all
platforms, and an unplugged cable ends it at once, where polling without a timeout would see no error at all.
"""

import asyncio
import errno
import sys
import threading
import time
from collections.abc import AsyncIterator, Mapping
from contextlib import asynccontextmanager, suppress
from dataclasses import replace
from pathlib import Path

import serial
from serial.tools.list_ports import comports

from meterlink.driver import Chunk, Clock, LineSettings, MeterUrl, Transport
from meterlink.errors import LinkError, UsageError
from meterlink_drivers.transports import serial_ports
from meterlink_drivers.transports.port_holder import lock_holder, other_user, pseudo_terminal

_SETTLE_S = 0.1
"""An opto-isolated cable is fed from DTR or RTS; what it sends while its supply comes up is noise, and thrown away
(common practice, no source)."""
_READ_TIMEOUT_S = 0.25
_WRITE_TIMEOUT_S = 2.0

_PORT_ERRORS: tuple[type[Exception], ...] = (serial.SerialException, OSError, ValueError, NotImplementedError)
if sys.platform != "win32":
    import termios

    _PORT_ERRORS = (*_PORT_ERRORS, termios.error)  # no OSError, but raised by the port's flush and settings

_LEVELS = {"on": True, "off": False}
_OPTIONS = {
    "baud": "speed in bit/s, instead of the format's own",
    "bytesize": "data bits: 5, 6, 7 or 8",
    "parity": "N (none), E (even), O (odd), M (mark) or S (space)",
    "stopbits": "1, 1.5 or 2",
    "dtr": "level of the DTR line: on or off",
    "rts": "level of the RTS line: on or off",
}


class SerialConnection:
    """An open port and the thread that reads it."""

    def __init__(self, port: serial.Serial, address: str, settings: str, clock: Clock) -> None:
        self.settings = settings
        """How the line is set: `2400 8N1, DTR on, RTS off`."""
        self._port = port
        self._address = address
        self._clock = clock
        self._loop = asyncio.get_running_loop()
        self._arrived: asyncio.Queue[Chunk | Exception] = asyncio.Queue()
        self._closing = False
        self._thread = threading.Thread(target=self._pump, name=f"read {address}", daemon=True)
        self._thread.start()

    async def read(self) -> Chunk | None:
        """Wait for the next bytes. Raises `LinkError` when the port is lost; a port has no regular end."""
        arrived = await self._arrived.get()
        if isinstance(arrived, Chunk):
            return arrived
        self._arrived.put_nowait(arrived)  # it stays lost
        raise LinkError(f"serial port {self._address} is lost ({arrived}); plug the cable in again") from arrived

    async def write(self, data: bytes) -> None:
        """Send bytes. Raises `LinkError` when the port is lost or takes nothing."""
        try:
            await asyncio.to_thread(self._port.write, data)
        except _PORT_ERRORS as error:
            raise LinkError(f"serial port {self._address}: cannot send ({error}); check the cable") from error

    def hear(self, announcement: Mapping[str, object]) -> None:
        """Nobody listens at this end."""

    def close(self) -> None:
        """Wake the reading thread, wait for its end, then close: closed under a reader, the port would crash it."""
        self._closing = True
        with suppress(AttributeError, *_PORT_ERRORS):  # not every port can be woken; its read then times out
            self._port.cancel_read()
        self._thread.join()
        with suppress(*_PORT_ERRORS):  # the port may be gone already
            self._port.close()

    def _pump(self) -> None:
        try:
            while not self._closing:
                data = self._port.read(max(1, self._port.in_waiting))
                if data:
                    self._hand_over(Chunk(data, self._clock()))
        except Exception as error:  # whatever ends this thread must reach the reader, who would wait for ever
            self._hand_over(error)

    def _hand_over(self, arrived: Chunk | Exception) -> None:
        self._loop.call_soon_threadsafe(self._arrived.put_nowait, arrived)


@asynccontextmanager
async def _open(url: MeterUrl, line: LineSettings, clock: Clock) -> AsyncIterator[SerialConnection]:
    settings = line_settings(url.options, line)
    if user := await asyncio.to_thread(other_user, url.address):
        raise LinkError(_busy(url.address, user))
    try:
        port = await asyncio.to_thread(_open_port, url.address, settings)
    except _PORT_ERRORS as error:
        raise LinkError(_why(error, url.address)) from error
    connection = SerialConnection(port, url.address, _shown(settings), clock)
    try:
        yield connection
    finally:
        await asyncio.to_thread(connection.close)


def _open_port(address: str, line: LineSettings) -> serial.Serial:
    if pseudo_terminal(address):  # it has no parity, and refuses to be asked for one twice
        line = replace(line, bytesize=8, parity="N")
    port = serial.serial_for_url(
        address,
        do_not_open=True,
        baudrate=line.baud,
        bytesize=line.bytesize,
        parity=line.parity,
        stopbits=line.stopbits,
        timeout=_READ_TIMEOUT_S,
    )
    if isinstance(port, serial.Serial):  # rfc2217:// refuses one
        port.write_timeout = _WRITE_TIMEOUT_S
    with suppress(AttributeError, ValueError):  # a port behind a URL may know no lock
        port.exclusive = True
    # Set before opening, so that they are never raised first; a port without these lines (a pty) is left alone.
    port.dtr = line.dtr
    port.rts = line.rts
    port.open()
    time.sleep(_SETTLE_S)
    with suppress(*_PORT_ERRORS):
        port.reset_input_buffer()
    return port


def _shown(line: LineSettings) -> str:
    lines = ", ".join(f"{name} {'on' if level else 'off'}" for name, level in (("DTR", line.dtr), ("RTS", line.rts)))
    return f"{line.baud} {line.bytesize}{line.parity}{line.stopbits:g}, {lines}"


def _why(error: Exception, address: str) -> str:
    """Say what is wrong with a port that does not open, and what to do."""
    number = getattr(error, "errno", None)
    text = str(error)
    if number in (errno.ENOENT, errno.ENODEV, errno.ENXIO) or "FileNotFoundError" in text:
        ports = ", ".join(sorted(port.device for port in comports())) or "none"
        return f"serial port {address} is absent; plug the cable in or name another (ports seen now: {ports})"
    # A port that is open elsewhere is 'access denied' on Windows, told only in the text.
    if number in (errno.EAGAIN, errno.EBUSY) or "PermissionError" in text:
        return _busy(address, lock_holder(address))
    if number in (errno.EACCES, errno.EPERM):
        return (
            f"no permission to open serial port {address}; "
            f"have your user added to the group {_group(address)}, then log in again"
        )
    return f"serial port {address} cannot be opened ({text}); check its name and settings"


def _busy(address: str, holder: str | None) -> str:
    return f"serial port {address} is busy: {holder or 'another program'} has it open; close that, then try again"


def _group(address: str) -> str:
    try:
        return Path(address).group()
    except (OSError, KeyError, NotImplementedError):
        return "that owns the port"


def line_settings(options: Mapping[str, str], line: LineSettings) -> LineSettings:
    """Put the options of a METER address over the line settings of its format.

    Raises:
        UsageError: a value that no serial line has.
    """
    return LineSettings(
        baud=_baud(options["baud"]) if "baud" in options else line.baud,
        bytesize=int(_one_of(options, "bytesize", ("5", "6", "7", "8"), str(line.bytesize))),
        parity=_one_of(options, "parity", ("N", "E", "O", "M", "S"), line.parity),
        stopbits=float(_one_of(options, "stopbits", ("1", "1.5", "2"), f"{line.stopbits:g}")),
        dtr=_LEVELS[_one_of(options, "dtr", tuple(_LEVELS), "on" if line.dtr else "off")],
        rts=_LEVELS[_one_of(options, "rts", tuple(_LEVELS), "on" if line.rts else "off")],
    )


def _baud(text: str) -> int:
    if not (text.isascii() and text.isdigit() and 50 <= int(text) <= 4_000_000):
        raise UsageError(f"baud {text!r}: expected a speed from 50 to 4000000 bit/s")
    return int(text)


def _one_of(options: Mapping[str, str], name: str, known: tuple[str, ...], default: str) -> str:
    value = options.get(name, default)
    if value not in known:
        raise UsageError(f"{name} {value!r}: expected one of {', '.join(known)}")
    return value


TRANSPORT = Transport(
    scheme="serial",
    summary="serial port by name (/dev/ttyUSB0, COM3), or a socket:// or rfc2217:// URL",
    open=_open,
    options=_OPTIONS,
    find=serial_ports.find,
    identity=serial_ports.identity,
)
