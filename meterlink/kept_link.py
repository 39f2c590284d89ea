"""A link to a meter that is opened again for as long as it takes. Moves bytes; the keeper decides."""

import asyncio
from collections import deque
from collections.abc import Callable, Mapping
from typing import Self

from meterlink.driver import AnswersInputs, Chunk, Clock
from meterlink.errors import LinkError
from meterlink.instrument import Wire
from meterlink.keeper import Item, Keeper, News
from meterlink.reading import NS_PER_S, Instant
from meterlink.stretch import Stretch, Way

Tap = Callable[[bytes], None]
"""Sees the bytes of each chunk once they are decoded, seven-bit characters without their parity."""

_RETRY_LOOK_S = 0.1


class KeptLink:
    """An open meter. See `meterlink.link.Link`."""

    def __init__(self, way: Way, keeper: Keeper, clock: Clock) -> None:
        self.received = 0
        self.tap: Tap = lambda data: None
        self._way, self._keeper, self._clock = way, keeper, clock
        self._latest = clock()
        self._ready: deque[Item] = deque()
        self._skipped = 0
        self._stretch: Stretch | None = None
        self._leaving: asyncio.Task[None] | None = None
        self._ended = False

    @property
    def identity(self) -> str | None:
        """What the decoder knows of the meter; see `meterlink.link.Link`."""
        return getattr(self._stretch.decoder, "identity", None) if self._stretch else None

    @property
    def wire(self) -> Wire:
        """How its bytes are read."""
        return Wire(self._way.wire.name, self._way.options, self._way.wire.description)

    @property
    def skipped(self) -> int:
        """Bytes of no valid frame, over all stretches."""
        return self._skipped + (self._stretch.decoder.skipped if self._stretch else 0)

    @property
    def rate(self) -> float | None:
        """Updates a second."""
        interval_ns = self._keeper.pace.interval_ns
        return NS_PER_S / interval_ns if interval_ns else None

    def now(self) -> Instant:
        """The clock's time, never before what came last."""
        return max(self._clock(), self._latest)

    def tell(self, news: News) -> None:
        """Give this out before anything else that comes from now on."""
        self._ready.append(news)

    def hear(self, announcement: Mapping[str, object]) -> None:
        """Tell the other end."""
        if self._stretch:
            self._stretch.connection.hear(announcement)

    def __aiter__(self) -> Self:
        return self

    async def __anext__(self) -> Item:
        """Wait for the next item; see `meterlink.link.Link`."""
        while not self._ready:
            if self._ended:
                raise StopAsyncIteration
            await (self._listen(self._stretch) if self._stretch else self._open_again())
        return self._ready.popleft()

    async def begin(self) -> None:
        """Open the link for the first time.

        Raises:
            UsageError: an option is wrong.
            LinkError: the meter cannot be reached, and trying again would not help.
        """
        try:
            self._stretch = await self._way.open(self._clock)
        except LinkError as error:
            if not error.passing:
                raise
            self._ready.extend(self._keeper.lost(str(error), self.now()))
            return
        self._opened(self._stretch)

    async def stop(self) -> None:
        """Close what is open, and wait for it."""
        self._leave()
        if self._leaving is not None:
            await self._leaving

    async def _listen(self, stretch: Stretch) -> None:
        """Wait a while for what comes, and ask where there is something to ask."""
        try:
            if query := stretch.decoder.poll(self.now()):
                await stretch.connection.write(query)
            chunk = await stretch.next()
        except LinkError as error:
            self._lose(str(error))
            return
        if chunk is not None:
            self._take(chunk, stretch)
        elif stretch.ended:
            self._ended = True
        elif not stretch.simulated:
            now = self.now()
            self._ready.extend(self._keeper.look(now, self.received))
            if self._keeper.must_reopen(now):
                self._lose(f"{self._way.name}: no data; connecting again")

    def _take(self, chunk: Chunk, stretch: Stretch) -> None:
        self.received += len(chunk.data)
        self._latest = max(chunk.at, self._latest)
        data = stretch.characters(chunk.data)
        items = stretch.decoder.feed(data, self._latest)
        self.tap(data)
        if isinstance(stretch.connection, AnswersInputs):  # a simulated job is never stale: it waits to be read
            self._ready.extend(items)
            self._ready.extend(stretch.connection.take_inputs())
        else:
            self._ready.extend(self._keeper.heard(items))

    def _lose(self, why: str) -> None:
        self._ready.extend(self._keeper.lost(why, self.now()))
        self._leave()

    def _leave(self) -> None:
        if self._stretch is not None:
            self._skipped += self._stretch.decoder.skipped
            self._leaving = asyncio.create_task(self._stretch.close(), name="meter-leave")
            self._stretch = None

    async def _open_again(self) -> None:
        if self._leaving is not None:  # never open what is not closed yet: the old handle would hold the port
            await asyncio.wait({self._leaving})
        now = self.now()
        if why := self._keeper.given_up(now):
            raise LinkError(why)
        if wait_s := self._keeper.retry_in_s(now):
            await asyncio.sleep(min(wait_s, _RETRY_LOOK_S))
            return
        try:
            stretch = await self._way.open(self._clock)
        except LinkError as error:
            self._ready.extend(self._keeper.lost(str(error), self.now()))
            return
        self._opened(stretch)

    def _opened(self, stretch: Stretch) -> None:
        self._stretch = stretch
        self._ready.extend(self._keeper.opened(self.now(), stretch.what, stretch.settings))
