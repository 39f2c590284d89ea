"""A trace that stands for a meter: read block by block, as it is asked for."""

import asyncio
import sys
import threading
from collections import deque
from collections.abc import AsyncIterator, Callable, Mapping
from contextlib import AbstractContextManager, asynccontextmanager, nullcontext, suppress
from functools import partial
from pathlib import Path
from typing import Protocol, Self, TypeVar

from meterlink.driver import Clock
from meterlink.errors import FileError
from meterlink.keeper import Item
from meterlink.reading import Instant
from meterlink.trace import TraceDecoder

_BLOCK = 65_536

_Result = TypeVar("_Result")


class _Source(Protocol):
    """A file that is read block by block."""

    def read(self, size: int, /) -> bytes | None: ...


class TraceLink:
    """An open trace; nothing can be asked of it. See `meterlink.link.Link`."""

    identity = None
    wire = None
    rate = None
    skipped = 0

    def __init__(self, source: _Source, name: str, decoder: TraceDecoder) -> None:
        self.received = 0
        self.tap: Callable[[bytes], None] = lambda data: None  # a trace has no bytes of its own
        self._source, self._name, self._decoder = source, name, decoder
        self._ready: deque[Item] = deque()
        self._read: asyncio.Task[bytes | None] | None = None
        self._ended = False

    def now(self) -> Instant:
        """The time of the last item."""
        return self._decoder.latest

    def hear(self, announcement: Mapping[str, object]) -> None:
        """Nobody listens behind a trace."""

    def __aiter__(self) -> Self:
        return self

    async def __anext__(self) -> Item:
        """Wait for the next item; see `meterlink.link.Link`."""
        while not self._ready:
            self._decoder.refuse_what_is_wrong()
            if self._ended:
                raise StopAsyncIteration
            if self._read is None:
                self._read = asyncio.create_task(_in_thread(lambda: self._source.read(_BLOCK)), name="trace-read")
            await asyncio.wait({self._read})
            done, self._read = self._read, None
            try:
                data = done.result()
            except OSError as error:
                raise FileError(self._name, f"cannot be read ({error.strerror})") from error
            self._ended = not data
            self.received += len(data or b"")
            self._ready.extend(self._decoder.feed(data or b"\n"))  # the line end that the last line may lack
        return self._ready.popleft()

    async def stop(self) -> None:
        """End the read that is under way."""
        if self._read is not None:
            self._read.cancel()
            await asyncio.gather(self._read, return_exceptions=True)


@asynccontextmanager
async def open_trace(address: str, clock: Clock) -> AsyncIterator[TraceLink]:
    """Open a trace; `-` is standard input.

    Raises:
        FileError: it cannot be opened.
    """
    opened = clock()
    name = "standard input" if address == "-" else address
    decoder = TraceDecoder(name, opened.utc_ns - opened.monotonic_ns)
    with await _trace_source(address) as source:
        link = TraceLink(source, name, decoder)
        try:
            yield link
        finally:
            await link.stop()


async def _trace_source(address: str) -> AbstractContextManager[_Source]:
    if address == "-":  # unbuffered where it can be: a thread left behind in a buffered read would block the exit
        return nullcontext(getattr(sys.stdin.buffer, "raw", sys.stdin.buffer))
    try:
        return await _in_thread(lambda: Path(address).open("rb", buffering=0))  # a named pipe waits for its writer
    except OSError as error:
        raise FileError(address, f"cannot be opened ({error.strerror})") from error


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
