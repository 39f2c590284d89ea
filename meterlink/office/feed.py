"""What changed at the office, for whoever shows it: any number of readers, each at its own pace.

Nothing waits for a reader. What is durable has numbers that only grow (`marks`): a reader says up to which it has read,
and gets each thing that changed since once, with its newest state, however long it was away. What meters show at the
moment is kept here alone, the newest for each job.
"""

import asyncio
import json
import time
from collections.abc import AsyncIterator, Sequence
from contextlib import suppress
from dataclasses import dataclass

from meterlink.office.marks import marks_after, newest_mark
from meterlink.record.store import Store
from meterlink.relay.topics import FromCrew

_AT_ONCE = 500
_POLL_S = 0.25
"""How often the store is asked for what other processes took in."""
_LONGEST_LIVE = 16 * 1024
_MOST_LIVE = 5000


@dataclass(frozen=True, slots=True)
class Change:
    """Something that changed."""

    cursor: int
    """Above that of every change before."""
    about: str
    """`job`, `status`, `aside`, `note`, `gone` or `device`."""
    name: str
    """The job's id, the device's name, the note's id."""


@dataclass(frozen=True, slots=True)
class Live:
    """What a job's meter showed last."""

    number: int
    """Above that of every one before, in this process."""
    device: str
    job: str
    records: Sequence[dict[str, object]]
    """SenML (RFC 8428), a few at most, in order. Whoever shows them: they are a stranger's texts and numbers."""
    since: float
    """When it came, by the monotonic clock."""


class Feed:
    """Of one office process."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._live: dict[str, Live] = {}
        self._number = 0
        self._news = asyncio.Event()

    def wake(self) -> None:
        """Let the readers look; called in the loop's own thread."""
        news, self._news = self._news, asyncio.Event()
        news.set()

    def show(self, crew: FromCrew, data: bytes) -> None:
        """Take what a meter shows."""
        records = _records(data)
        if not records or (crew.job not in self._live and len(self._live) >= _MOST_LIVE):
            return
        self._number += 1
        self._live.pop(crew.job, None)
        self._live[crew.job] = Live(self._number, crew.device, crew.job, records, time.monotonic())
        self.wake()

    def newest(self) -> int:
        """Return the newest number: what is read before it needs not be read again."""
        with self._store.reading() as connection:
            return newest_mark(connection)

    def live(self, after: int = 0) -> list[Live]:
        """Return what meters show that is newer than this number, oldest first."""
        newer = []
        for each in reversed(self._live.values()):
            if each.number <= after:
                break
            newer.append(each)
        return newer[::-1]

    async def changes(self, after: int) -> AsyncIterator[Sequence[Change]]:
        """Return what changed above a number, then what changes, some at a time; never an empty sequence.

        Args:
            after: the number of the last change that was read; 0 for everything.
        """
        while True:
            news = self._news
            found = await asyncio.to_thread(self._above, after)
            if found:
                after = found[-1].cursor
                yield found
            if len(found) < _AT_ONCE:
                with suppress(TimeoutError):
                    async with asyncio.timeout(_POLL_S):  # `wait_for` of Python 3.11 may swallow a cancellation
                        await news.wait()

    async def shown(self, after: int = 0) -> AsyncIterator[Sequence[Live]]:
        """Return what meters show, the newest of each job, whenever there is any; never an empty sequence."""
        while True:
            news = self._news
            if newer := self.live(after):
                after = newer[-1].number
                yield newer
            await news.wait()

    def _above(self, cursor: int) -> Sequence[Change]:
        with self._store.reading() as connection:
            found = marks_after(connection, cursor, _AT_ONCE)
        return [Change(number, *name.split("/", 1)) for number, name in found]


def _records(data: bytes) -> Sequence[dict[str, object]]:
    if len(data) > _LONGEST_LIVE:
        return ()
    try:
        records = json.loads(data)
    except (ValueError, RecursionError):
        return ()
    whole = isinstance(records, list) and all(isinstance(each, dict) for each in records)
    return records if whole else ()
