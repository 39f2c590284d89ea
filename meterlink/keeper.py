"""Keeps a link: what is said when it breaks, falls silent and comes back, and when it is opened again. Pure.

Evidence that a link stands is a fresh reading, not an open port: it is called back only then. What arrives first after
a break may be old and judges nothing.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import Enum, auto

from meterlink.driver import Notice
from meterlink.outcome import Break, Gap, Input
from meterlink.pace import Pace
from meterlink.reading import NS_PER_S, Instant, Reading
from meterlink.silence import Silence

_RETRY_S = (0.0, 0.25, 0.5, 1.0)
"""Waits before the next attempt to open the link again, in seconds; the last one repeats."""


@dataclass(frozen=True, slots=True)
class News:
    """News of the link, for people and for the record; no verdict rests on it."""

    text: str
    at: Instant
    trouble: bool = True
    """Whether there is something to do about it."""


Item = Reading | Notice | Input | Gap | News


class _State(Enum):
    STARTING = auto()
    LIVE = auto()
    SILENT = auto()
    LOST = auto()


_BACK = {_State.LOST: Break.LINK_BACK, _State.SILENT: Break.HEARD_AGAIN}


class Keeper:
    """Follows one link over all its breaks."""

    def __init__(self, patience_s: float, reopen_after_s: float | None) -> None:
        """Begin with a link that is being opened.

        Args:
            patience_s: how long it may stay lost before it is given up, in seconds; may be infinite.
            reopen_after_s: a link silent for so long is broken and opened again; None: it is left open.
        """
        self.pace = Pace()
        self._patience_ns = patience_s * NS_PER_S
        self._reopen_after_ns = None if reopen_after_s is None else reopen_after_s * NS_PER_S
        self._silence = Silence()
        self._state = _State.STARTING
        self._attempts = 0
        self._retry_ns = 0
        self._broken_ns: int | None = None
        self._why = ""
        self._heard_ns = 0
        self._told: set[str] = set()

    def opened(self, at: Instant, what: str, line: str) -> list[Item]:
        """The link has been opened (again). It is not called back before a fresh reading has come.

        Args:
            at: now.
            what: what was opened, for the record.
            line: how the line is set, for hints; empty where there is nothing to set.
        """
        self._heard_ns = at.monotonic_ns
        self._silence.restart(line)
        return [News(f"opened {what}", at, trouble=False)]

    def lost(self, why: str, at: Instant) -> list[Item]:
        """The link broke, or an attempt to open it failed; return what there is to tell."""
        self.pace.broke()
        if self._broken_ns is None:
            self._broken_ns = at.monotonic_ns
        self._why = why
        wait = _RETRY_S[min(self._attempts, len(_RETRY_S) - 1)]
        self._attempts += 1
        self._retry_ns = at.monotonic_ns + int(wait * NS_PER_S)
        items: list[Item] = []
        if self._state in (_State.LIVE, _State.SILENT):
            items.append(Gap(at, Break.LINK_LOST))
            self._state = _State.LOST
        if why not in self._told:
            self._told.add(why)
            items.append(News(why, at))
        return items

    def retry_in_s(self, now: Instant) -> float:
        """Return how long to wait before the next attempt, in seconds; 0 for at once."""
        return max(0, self._retry_ns - now.monotonic_ns) / NS_PER_S

    def given_up(self, now: Instant) -> str | None:
        """Say why the link is given up, where it has been lost for longer than its user has patience; else None."""
        if self._broken_ns is None or now.monotonic_ns - self._broken_ns < self._patience_ns:
            return None
        return f"{self._why} (given up after {self._patience_ns / NS_PER_S:g} s)"

    def heard(self, items: Sequence[Reading | Notice]) -> Iterator[Item]:
        """Take what was decoded; give out what is fit to be judged, and what there is to tell before it."""
        for item in items:
            self._silence.decoded += 1
            self._heard_ns = item.at.monotonic_ns
            if isinstance(item, Reading):
                yield from self._reading(item)
            else:
                yield item

    def look(self, now: Instant, received: int) -> Iterator[Item]:
        """Look whether the meter has fallen silent; `received` counts the bytes that came so far."""
        if self._state is _State.LIVE and self.pace.silent(now):
            self._state = _State.SILENT
            yield Gap(now, Break.SILENT)
        for hint in self._silence.hints(now.monotonic_ns / NS_PER_S, received):
            yield News(hint, now)

    def must_reopen(self, now: Instant) -> bool:
        """Tell whether the link has been silent for so long that only opening it again may help."""
        if self._reopen_after_ns is None:
            return False
        return now.monotonic_ns - self._heard_ns >= max(self._reopen_after_ns, self.pace.silent_after_ns)

    def _reading(self, reading: Reading) -> Iterator[Item]:
        if not self.pace.take(reading.at):
            if self._state is _State.LIVE:  # the pause was over before anyone looked: the computer slept
                self._state = _State.SILENT
                yield Gap(reading.at, Break.SILENT)
            shown = f"{reading.display or '---'} {reading.unit}, {reading.function.value}"
            yield Notice("stale", reading.display, f"old, not judged: {shown}", reading.at, reading.raw, reading.unit)
            return
        if self._state in _BACK:
            yield Gap(reading.at, _BACK[self._state])
        self._state = _State.LIVE
        self._broken_ns, self._attempts = None, 0
        self._told.clear()
        yield reading
