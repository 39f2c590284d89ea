"""What the notifications of one link bring, in order, and only those of the link that is open now.

Each attempt to connect begins a new generation. A callback carries the generation it was made for; those of older ones
are ignored, however late the system still calls them, and what they brought is thrown away. So a subscription that
outlives its link delivers nothing twice, and no bytes from before a break meet bytes from after it.
"""

import asyncio
from collections.abc import Callable
from typing import Final

from meterlink.driver import Chunk, Clock
from meterlink.errors import LinkError

MOST_WAITING: Final = 50_000
"""Notifications held for a reader that does not come; at 10 a second more than an hour. Then the link is given up."""


class Inbox:
    """One reader waits in `get`; the system's callbacks put in. All in one event loop."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._generation = 0
        self._arrived: asyncio.Queue[Chunk | LinkError] = asyncio.Queue()

    def begin(self) -> int:
        """Begin a new generation and return its number. Everything from older ones is forgotten."""
        self._generation += 1
        self._arrived = asyncio.Queue()
        return self._generation

    def callback(self, generation: int) -> Callable[[object, bytearray], None]:
        """Return what the system is to call with each notification.

        It never raises: the system would log an exception and go on, and the reader would not know.
        """

        def take(_characteristic: object, data: bytearray) -> None:
            try:
                self._take(generation, bytes(data))
            except Exception as error:  # whatever it is, the reader must learn of it
                problem = LinkError(f"a notification could not be taken ({error!r}); the link is given up")
                problem.__cause__ = error
                self.lose(generation, problem)

        return take

    def lose(self, generation: int, error: LinkError) -> None:
        """Note that the link of this generation broke. The reader gets what came before it, then the error."""
        if generation == self._generation:
            self._arrived.put_nowait(error)

    async def get(self) -> Chunk:
        """Wait for the next bytes.

        Raises:
            LinkError: the link broke. It stays broken.
        """
        arrived = await self._arrived.get()
        if isinstance(arrived, LinkError):
            self._arrived.put_nowait(arrived)
            raise arrived
        return arrived

    def _take(self, generation: int, data: bytes) -> None:
        if generation != self._generation:
            return
        if self._arrived.qsize() >= MOST_WAITING:
            raise OverflowError(f"{MOST_WAITING} notifications wait to be read")
        self._arrived.put_nowait(Chunk(data, self._clock()))
