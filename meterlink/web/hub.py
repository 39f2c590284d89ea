"""What the pages show now, for any number of watchers: each gets the newest as fast as it reads, and holds up nobody.

The check only puts the newest picture here, which takes no time whoever watches. Each watcher takes it from here at a
pace of its own: announcements one by one and none left out, state and live value only as they are when it is their
turn.
"""

import asyncio
import json
import secrets
from collections.abc import AsyncIterator
from contextlib import suppress
from dataclasses import dataclass

from meterlink.outcome import Json
from meterlink.web.board import Board

MOST_WATCHERS = 24
"""Pages at a time; each costs a connection and a little work with every reading."""

BEAT_S = 2.0
"""How often a page hears something, so that it notices a dead link."""

PACE_S = 0.04
"""Between two rounds of one watcher: no eye follows more than 25 pictures a second."""


@dataclass(frozen=True, slots=True)
class Message:
    """One server-sent event."""

    event: str
    """Its kind: `state`, `live`, `told`, `beat`; on the office's page `cards`, `lives`, `trace`, `value` too."""
    data: str
    id: str | None = None
    """Of an announcement: what the page says it saw last when it comes back."""


class Hub:
    """The newest picture of the check, and what was announced."""

    def __init__(self) -> None:
        self.board = Board(secrets.token_hex(4))
        self.watchers = 0
        """How many watch now."""
        self.opened = asyncio.Event()
        """Set once the first page watches."""
        self._state: Json = {}
        self._live: Json = {}
        self._live_at_s = 0.0
        self._states = self._lives = 0
        self._news = asyncio.Event()
        self._closed = False

    def show(self, state: Json) -> None:
        """Show this state from now on."""
        self._state = state
        self._states += 1
        self._wake()

    def show_live(self, live: Json) -> None:
        """Show this live value from now on; its age counts from now."""
        self._live, self._live_at_s = live, asyncio.get_running_loop().time()
        self._lives += 1
        self._wake()

    def tell(self, announcement: Json) -> None:
        """Tell every watcher, now or when it comes back."""
        self.board.put(announcement)
        self._wake()

    def close(self) -> None:
        """End every watcher's stream, once it has what there is."""
        self._closed = True
        self._wake()

    async def watch(self, last_seen: str | None) -> AsyncIterator[Message]:
        """Everything that a page needs, for as long as it stays.

        Args:
            last_seen: the id of the last announcement that it has; None for a page that has just been opened.
        """
        self.watchers += 1
        self.opened.set()
        try:
            seen = self.board.number(last_seen)
            missed = self.board.last
            states = lives = -1
            while True:
                news = self._news
                if states != self._states:
                    states = self._states
                    yield Message("state", _text(self._state), self.board.name(seen))
                for number, announcement in self.board.since(seen):
                    seen = number
                    late = {"late": True} if number <= missed else {}
                    yield Message("told", _text({**announcement, **late}), self.board.name(number))
                if lives != self._lives:
                    lives = self._lives
                    yield Message("live", _text({**self._live, "age": round(self._age(), 2)}))
                if self._closed:
                    return
                await asyncio.sleep(PACE_S)
                with suppress(TimeoutError):
                    async with asyncio.timeout(BEAT_S):
                        await news.wait()
                    continue
                yield Message("beat", "{}")
        finally:
            self.watchers -= 1

    def _age(self) -> float:
        return asyncio.get_running_loop().time() - self._live_at_s

    def _wake(self) -> None:
        self._news.set()
        self._news = asyncio.Event()


def _text(body: Json) -> str:
    return json.dumps(body, ensure_ascii=False, separators=(",", ":"))
