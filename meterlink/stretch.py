"""One opening of the link to a meter, with a decoder of its own: nothing is spliced across a break."""

import asyncio
from collections.abc import Mapping
from dataclasses import dataclass, replace

from meterlink.driver import AnswersInputs, Chunk, Clock, Connection, Format, LineSettings, MeterUrl, Transport
from meterlink.errors import LinkError, MeterlinkError
from meterlink.seven_bit import SevenBits

POLL_S = 0.1
"""How often a waiting link looks whether there is something to ask or to tell, in seconds."""


@dataclass
class Way:
    """How a meter is reached and read. Remembers which device it is, wherever that is plugged in later."""

    transport: Transport
    url: MeterUrl
    """With the transport's own options only."""
    wire: Format
    line: LineSettings
    options: Mapping[str, str]
    """The format's own."""
    device: str | None = None
    """The stable identity of the device that was reached first."""

    @property
    def name(self) -> str:
        """The address as it was given, without options."""
        return f"{self.url.scheme}:{self.url.address}"

    async def open(self, clock: Clock) -> "Stretch":
        """Open the link, at the device's present address.

        Raises:
            UsageError: an option is wrong.
            LinkError: the meter cannot be reached.
        """
        url = await self._url_now()
        stretch = Stretch(self, url, clock)
        await stretch.opened()
        try:
            await self._same_device(url)
        except MeterlinkError:
            await stretch.close()
            raise
        return stretch

    async def _url_now(self) -> MeterUrl:
        """Return where the device is now: an adapter may come back under another name, and another take its own."""
        identity, find = self.transport.identity, self.transport.find
        if identity is None:
            return self.url
        if self.device is None:
            self.device = await identity(self.url.address)
            return self.url
        try:
            found = await identity(self.url.address)
            trouble = LinkError(f"{self.name} is {found} now, expected {self.device}; left alone")
        except LinkError as error:
            found, trouble = None, error
        if found == self.device:
            return self.url
        for device in [] if find is None else await find():
            if device.identity == self.device:
                return replace(self.url, address=device.address.partition(":")[2])
        raise trouble

    async def _same_device(self, url: MeterUrl) -> None:
        """Refuse another device that took the name while it was being opened."""
        identity = self.transport.identity
        if identity is not None and (found := await identity(url.address)) != self.device:
            raise LinkError(f"{self.name} is {found} now, expected {self.device}; left alone")


class Stretch:
    """An open connection. Its context is entered and left in one task, as some transports need."""

    def __init__(self, way: Way, url: MeterUrl, clock: Clock) -> None:
        """Begin to open; wait for `opened`."""
        self.decoder = way.wire.decoder(way.options)
        self.connection: Connection
        self.ended = False
        """Whether the stream has come to its regular end."""
        self._seven_bits = SevenBits(way.line.parity) if way.line.bytesize == 7 else None
        self._read: asyncio.Task[Chunk | None] | None = None
        self._opened: asyncio.Future[Connection] = asyncio.get_running_loop().create_future()
        self._closing = asyncio.Event()
        self._holder = asyncio.create_task(self._hold(way, url, clock), name="meter-link")
        self._name = f"{url.scheme}:{url.address}"
        self._format = way.wire.name

    @property
    def simulated(self) -> bool:
        """Whether a simulated technician sits behind it, whose time passes only as it is read."""
        return isinstance(self.connection, AnswersInputs)

    @property
    def settings(self) -> str:
        """How the line is set, for people; empty where there is nothing to set."""
        return getattr(self.connection, "settings", "")

    @property
    def what(self) -> str:
        """What was opened, for the record."""
        return ", ".join(filter(None, (self._name, self._format, self.settings)))

    async def opened(self) -> None:
        """Wait until it is open. Raises what opening raises."""
        try:
            self.connection = await asyncio.shield(self._opened)
        except BaseException:  # cancelled as well: nothing may be left open
            await self.close()
            raise

    def characters(self, data: bytes) -> bytes:
        """Take the parity bits off where the format has seven-bit characters."""
        return self._seven_bits.feed(data) if self._seven_bits else data

    async def next(self) -> Chunk | None:
        """Wait a moment for the next bytes; None if none came. May be cancelled without loss.

        Raises:
            LinkError: the link broke.
        """
        if self._read is None:
            self._read = asyncio.create_task(self.connection.read(), name="meter-read")
        await asyncio.wait({self._read}, timeout=POLL_S)
        if not self._read.done():
            return None
        done, self._read = self._read, None
        chunk = done.result()
        self.ended = chunk is None
        return chunk

    async def close(self) -> None:
        """End the read that is under way, and close."""
        if self._read is not None:
            self._read.cancel()
            await asyncio.gather(self._read, return_exceptions=True)
        self._closing.set()
        if not self._opened.done():
            self._holder.cancel()
        await asyncio.gather(self._holder, return_exceptions=True)

    async def _hold(self, way: Way, url: MeterUrl, clock: Clock) -> None:
        try:
            async with way.transport.open(url, way.line, clock) as connection:
                self._opened.set_result(connection)
                await self._closing.wait()
        except Exception as error:
            if self._opened.done():  # a link that broke may not close in order; it is closed all the same
                return
            self._opened.set_exception(error)
