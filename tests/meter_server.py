"""A meter on a TCP port, for tests of links: sends what it is given, keeps what it gets."""

import asyncio
import socket
import struct
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress
from dataclasses import dataclass, field


@dataclass
class MeterServer:
    """The other end of a TCP link."""

    port: int = 0
    received: bytearray = field(default_factory=bytearray)
    connected: asyncio.Event = field(default_factory=asyncio.Event)
    writer: asyncio.StreamWriter | None = None

    def send(self, data: bytes) -> None:
        assert self.writer is not None
        self.writer.write(data)

    def close(self) -> None:
        """Close the connection in order."""
        assert self.writer is not None
        self.writer.close()

    def abort(self) -> None:
        """Break the connection: the other end sees a reset."""
        assert self.writer is not None
        self.writer.get_extra_info("socket").setsockopt(
            socket.SOL_SOCKET,
            socket.SO_LINGER,
            struct.pack("ii", 1, 0),  # close by reset, not in order
        )
        self.writer.transport.abort()


@asynccontextmanager
async def meter_server(host: str = "127.0.0.1") -> AsyncIterator[MeterServer]:
    meter = MeterServer()

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        meter.writer = writer
        meter.connected.set()
        with suppress(OSError):
            while data := await reader.read(1024):
                meter.received += data
        writer.close()

    async with await asyncio.start_server(serve, host, 0) as server:
        meter.port = server.sockets[0].getsockname()[1]
        yield meter
        if meter.writer is not None:
            meter.writer.close()
            with suppress(OSError):
                await meter.writer.wait_closed()
