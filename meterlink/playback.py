"""Plays a stored job as it went: in real time or faster, with what the technician saw and heard. Nothing is stored."""

import asyncio
from collections.abc import Iterator
from dataclasses import dataclass

from meterlink.engine import Engine
from meterlink.reading import NS_PER_S, Instant, Reading
from meterlink.record.codec import from_event
from meterlink.record.entry import OUTCOMES, Event, Kind
from meterlink.replay import Difference, Replay
from meterlink.run import Output

_LONG_S = 5.0
"""A pause between two events that may be skipped is longer (common practice, no source)."""
_LEFT_S = 1.0
"""What is left of one."""
_TICK_S = 1.0


@dataclass(frozen=True, slots=True)
class Tempo:
    """How fast a job is played."""

    speed: float | None
    """Times as fast as it went; None: as fast as it can."""
    skip_pauses: bool = False

    def wait(self, before: Instant, now: Instant) -> tuple[float, float]:
        """Return how long to wait between two events, and how much of the pause between them is skipped, in seconds."""
        gone = max(0, now.monotonic_ns - before.monotonic_ns) / NS_PER_S
        skipped = gone - _LEFT_S if self.skip_pauses and gone > _LONG_S else 0.0
        return (0.0 if self.speed is None else (gone - skipped) / self.speed), skipped

    def __str__(self) -> str:
        if self.speed is None:
            return "as fast as it can"
        return "in real time" if self.speed == 1 else f"{self.speed:g} times as fast"


@dataclass(slots=True)
class Played:
    """What is on show while a job is played."""

    job: str
    engine: Engine


class Playback:
    """One job being played."""

    def __init__(self, replay: Replay, events: Iterator[Event], tempo: Tempo) -> None:
        """Begin with its first event, which prepares the engine.

        Args:
            replay: compares every outcome on the way.
            events: the whole log.
            tempo: how fast.

        Raises:
            RecordError: the log has no start, or cannot be read back.
        """
        self._replay, self._events, self._tempo = replay, events, tempo
        self._before = Instant(0, 0)
        self.differences: list[Difference] = []
        for event in events:
            self._before = event.at
            self.differences += replay.take(event)
            break
        self.engine = replay.engine

    async def run(self, output: Output) -> None:
        """Play it to its end.

        Args:
            output: where it is shown and heard.

        Raises:
            RecordError: an event cannot be read back.
        """
        loop = asyncio.get_running_loop()
        due = loop.time()
        for event in self._events:
            wait, skipped = self._tempo.wait(self._before, event.at)
            self._before = max(self._before, event.at)
            if skipped:
                output.warn(f"A pause of {skipped + _LEFT_S:.0f} s is skipped.")
            due = max(due + wait, loop.time() - _TICK_S)  # what took long is caught up with, but no more than that
            await _until(due, output)
            self.differences += self._replay.take(event)
            _show(event, output)
        self.differences += self._replay.close()


async def _until(due: float, output: Output) -> None:
    loop = asyncio.get_running_loop()
    while (rest := due - loop.time()) > _TICK_S:
        await asyncio.sleep(_TICK_S)
        output.tick()
    await asyncio.sleep(max(0.0, rest))


def _show(event: Event, output: Output) -> None:
    if event.kind in OUTCOMES:
        output.tell(event.body)
    elif event.kind is Kind.READING:
        reading = from_event(event)
        if isinstance(reading, Reading):
            output.live(reading)
    elif event.kind is Kind.NOTE and event.body.get("about") == "remark":
        output.warn(f"Note: {event.body['text']}")
