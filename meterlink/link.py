"""Opens a METER address and gives out what the meter shows. The shell around decoders and traces; decides nothing."""

import asyncio
import sys
import threading
import time
from collections import deque
from collections.abc import AsyncIterator, Callable, Mapping, Sequence
from contextlib import AbstractContextManager, asynccontextmanager, nullcontext, suppress
from fractions import Fraction
from functools import partial
from pathlib import Path
from typing import Protocol, TypeVar

from meterlink.address import OPTIONS, resolve
from meterlink.driver import (
    AnswersInputs,
    Chunk,
    Clock,
    Connection,
    MeterUrl,
    Notice,
    parse_meter_url,
)
from meterlink.errors import FileError, LinkError, UsageError
from meterlink.outcome import Input
from meterlink.reading import Instant, Reading
from meterlink.registry import load_transport
from meterlink.trace import TraceDecoder

POLL_S = 0.1
_BLOCK = 65_536
_LINK_OPTIONS = {
    **OPTIONS,
    "time-scale": "how many times faster than real a simulated meter's seconds pass (1 or more)",
}

_Result = TypeVar("_Result")

Item = Reading | Notice | Input


class _Decoder(Protocol):
    """What a meter's decoder and a trace's have in common."""

    @property
    def skipped(self) -> int: ...

    def feed(self, data: bytes, at: Instant) -> Sequence[Item]: ...

    def poll(self, at: Instant) -> bytes: ...


class _Source(Protocol):
    """A file that is read block by block."""

    def read(self, size: int, /) -> bytes | None: ...


class Link:
    """An open meter, or a trace that stands for one. Iterate to get what it shows; the end of iteration is its end.

    Waiting for the next item may be cancelled at any time, and nothing is lost by it.
    """

    def __init__(self, connection: Connection, decoder: _Decoder, clock: Clock) -> None:
        self.received = 0
        """Bytes that came so far."""
        self._connection = connection
        self._decoder = decoder
        self._clock = clock
        self._latest = clock()
        self._ready: deque[Item] = deque()
        self._read: asyncio.Task[Chunk | None] | None = None

    @property
    def identity(self) -> str | None:
        """The meter's own account of itself (maker, model, serial number, firmware); None where it gives none."""
        return getattr(self._decoder, "identity", None)

    @property
    def skipped(self) -> int:
        """Bytes thrown away so far because they belonged to no valid frame."""
        return self._decoder.skipped

    def now(self) -> Instant:
        """The time by the clock that stamps the items, and never before that of what came last."""
        return max(self._clock(), self._latest)

    def hear(self, announcement: Mapping[str, object]) -> None:
        """Tell the other end what the check announces. Only a simulated technician listens."""
        self._connection.hear(announcement)

    def __aiter__(self) -> AsyncIterator[Item]:
        return self

    async def __anext__(self) -> Item:
        """Wait for the next item.

        Raises:
            LinkError: the link broke.
            FileError: the trace is wrong here.
        """
        while not self._ready:
            if query := self._decoder.poll(self.now()):
                await self._connection.write(query)
            if self._read is None:
                self._read = asyncio.create_task(self._connection.read(), name="meter-read")
            await asyncio.wait({self._read}, timeout=POLL_S)
            if self._read.done():
                self._take(self._read.result())
        return self._ready.popleft()

    def _take(self, chunk: Chunk | None) -> None:
        if chunk is None:
            raise StopAsyncIteration
        self._read = None
        self.received += len(chunk.data)
        self._latest = chunk.at
        self._ready.extend(self._decoder.feed(chunk.data, chunk.at))
        if isinstance(self._connection, AnswersInputs):
            self._ready.extend(self._connection.take_inputs())

    async def stop(self) -> None:
        """End the read that is under way."""
        if self._read is not None:
            self._read.cancel()
            await asyncio.gather(self._read, return_exceptions=True)


def start_clock() -> Clock:
    """Make a clock that stands at 0 now."""
    start_ns = time.monotonic_ns()
    return lambda: Instant(time.monotonic_ns() - start_ns, time.time_ns())


@asynccontextmanager
async def open_link(address: str, clock: Clock) -> AsyncIterator[Link]:
    """Open a METER address.

    Args:
        address: `SCHEME:ADDRESS?OPTION=VALUE&...`; the scheme `trace` reads a file, or standard input for `-`.
        clock: stamps what comes. A trace carries its own times; its t = 0 is where the clock's 0 was.

    Raises:
        UsageError: the address, its format or an option is wrong.
        LinkError: the meter cannot be reached.
        FileError: the trace cannot be opened.
    """
    url = parse_meter_url(address)
    async with _trace(url, clock) if url.scheme == "trace" else _meter(url, clock) as link:
        try:
            yield link
        finally:
            await link.stop()


@asynccontextmanager
async def _meter(url: MeterUrl, clock: Clock) -> AsyncIterator[Link]:
    transport = load_transport(url.scheme)
    meter = await resolve(url, transport)
    _refuse_unknown(url, {**_LINK_OPTIONS, **transport.options, **meter.format.options})
    decoder = meter.format.decoder(meter.options)
    clock = _scaled(clock, url.options.get("time-scale", "1"))
    own_url = MeterUrl(url.scheme, url.address, _own(url, transport.options))
    async with transport.open(own_url, meter.line, clock) as connection:
        yield Link(connection, decoder, clock)


def _own(url: MeterUrl, known: Mapping[str, str]) -> dict[str, str]:
    return {name: value for name, value in url.options.items() if name in known}


def _refuse_unknown(url: MeterUrl, known: Mapping[str, str]) -> None:
    if unknown := [name for name in url.options if name not in known]:
        raise UsageError(f"{url.scheme}: unknown option {unknown[0]!r}; known: {', '.join(sorted(known)) or 'none'}")


def _scaled(clock: Clock, text: str) -> Clock:
    """Make the seconds since now pass `text` times faster; what passed before stays."""
    try:
        scale = Fraction(text)
    except (ValueError, ZeroDivisionError):
        scale = Fraction(0)
    if not 1 <= scale <= 10**6:
        raise UsageError(f"time-scale {text!r}: expected a number from 1 to 1000000")
    start = clock()

    def scaled() -> Instant:
        now = clock()
        ahead_ns = int((now.monotonic_ns - start.monotonic_ns) * (scale - 1))
        return Instant(now.monotonic_ns + ahead_ns, now.utc_ns + ahead_ns)

    return clock if scale == 1 else scaled


@asynccontextmanager
async def _trace(url: MeterUrl, clock: Clock) -> AsyncIterator[Link]:
    _refuse_unknown(url, {})
    opened = clock()
    name = "standard input" if url.address == "-" else url.address
    decoder = TraceDecoder(name, opened.utc_ns - opened.monotonic_ns)

    def now() -> Instant:
        return decoder.latest

    with await _trace_source(url.address) as source:
        yield Link(_TraceFile(source, name, now), decoder, now)


async def _trace_source(address: str) -> AbstractContextManager[_Source]:
    if address == "-":  # unbuffered where it can be: a thread left behind in a buffered read would block the exit
        return nullcontext(getattr(sys.stdin.buffer, "raw", sys.stdin.buffer))
    try:
        return await _in_thread(lambda: Path(address).open("rb", buffering=0))  # a named pipe waits for its writer
    except OSError as error:
        raise FileError(address, f"cannot be opened ({error.strerror})") from error


class _TraceFile:
    """Moves a trace's bytes, block by block as they are asked for. Nothing can be sent."""

    def __init__(self, source: _Source, name: str, clock: Clock) -> None:
        self._source = source
        self._name = name
        self._clock = clock
        self._ended = False

    async def read(self) -> Chunk | None:
        if self._ended:
            return None
        try:
            data = await _in_thread(lambda: self._source.read(_BLOCK))
        except OSError as error:
            raise FileError(self._name, f"cannot be read ({error.strerror})") from error
        self._ended = not data
        return Chunk(data or b"\n", self._clock())  # the line end that the last line may lack

    async def write(self, data: bytes) -> None:
        raise LinkError(f"{self._name}: a trace cannot be asked")

    def hear(self, announcement: Mapping[str, object]) -> None:
        """Nobody listens behind a trace."""


async def _in_thread(work: Callable[[], _Result]) -> _Result:
    """Wait for a blocking call. Its thread is a daemon: a read from a terminal that nobody answers never ends."""
    loop = asyncio.get_running_loop()
    future: asyncio.Future[_Result] = loop.create_future()

    def settle(set_outcome: Callable[[], None]) -> None:
        if not future.done():  # done: the wait was cancelled
            set_outcome()

    def run() -> None:
        try:
            result = work()
            outcome = partial(future.set_result, result)
        except (OSError, ValueError) as error:  # ValueError: the file was closed in the meantime
            outcome = partial(future.set_exception, error)
        with suppress(RuntimeError):  # the loop has ended, and nobody waits any more
            loop.call_soon_threadsafe(settle, outcome)

    threading.Thread(target=run, name="trace", daemon=True).start()
    return await future
