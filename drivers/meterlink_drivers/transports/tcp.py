"""Transport `tcp:HOST:PORT`: a meter behind a terminal server, or an instrument with a network socket."""

import asyncio
from collections.abc import AsyncIterator, Mapping
from contextlib import asynccontextmanager, suppress

from meterlink.driver import Chunk, Clock, LineSettings, MeterUrl, Transport
from meterlink.errors import LinkError, UsageError

_CONNECT_WITHIN_S = 5.0
_BLOCK = 65_536
_DEAD_AFTER_S = 30.0
"""A connection whose other end has vanished looks alive for hours; a meter sends or answers within seconds."""


class TcpConnection:
    """An open TCP connection. A meter's stream has no end: one that is closed, in order or not, is a broken link."""

    def __init__(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter, address: str, clock: Clock) -> None:
        self._reader = reader
        self._writer = writer
        self._address = address
        self._clock = clock

    async def read(self) -> Chunk:
        """Wait for the next bytes. Raises `LinkError` when the connection breaks."""
        try:
            data = await self._reader.read(_BLOCK)
        except OSError as error:
            raise LinkError(f"tcp:{self._address}: the connection broke ({error}); check the network") from error
        if not data:
            raise LinkError(f"tcp:{self._address}: the other end closed the connection; check the meter")
        return Chunk(data, self._clock())

    async def write(self, data: bytes) -> None:
        """Send bytes. Raises `LinkError` when the connection breaks."""
        try:
            self._writer.write(data)
            await self._writer.drain()
        except OSError as error:
            raise LinkError(f"tcp:{self._address}: cannot send ({error}); check the network") from error

    def hear(self, announcement: Mapping[str, object]) -> None:
        """Nobody listens at this end."""


@asynccontextmanager
async def _open(url: MeterUrl, line: LineSettings, clock: Clock) -> AsyncIterator[TcpConnection]:
    host, port = _host_and_port(url.address)
    try:
        async with asyncio.timeout(_CONNECT_WITHIN_S):
            reader, writer = await asyncio.open_connection(host, port)
    except TimeoutError as error:
        raise LinkError(
            f"tcp:{url.address}: no answer in {_CONNECT_WITHIN_S:g} s; check address and network"
        ) from error
    except OSError as error:
        raise LinkError(f"tcp:{url.address}: cannot connect ({error}); check address, port and network") from error
    try:
        yield TcpConnection(reader, writer, url.address, clock)
    finally:
        writer.close()
        with suppress(OSError):  # it may have broken already; it is closed all the same
            await writer.wait_closed()


def _host_and_port(address: str) -> tuple[str, int]:
    host, colon, port = address.rpartition(":")
    if host.startswith("[") and host.endswith("]"):
        host = host[1:-1]
    elif ":" in host:
        raise UsageError(f"tcp:{address}: write an IPv6 address in brackets, as in tcp:[::1]:5025")
    if not colon or not host or not (port.isascii() and port.isdigit() and 1 <= int(port) <= 65535):
        raise UsageError(f"tcp:{address}: expected tcp:HOST:PORT with a port from 1 to 65535")
    return host, int(port)


TRANSPORT = Transport(
    scheme="tcp",
    summary="TCP connection to HOST:PORT; [HOST]:PORT for IPv6",
    open=_open,
    reopen_after_s=_DEAD_AFTER_S,
)
