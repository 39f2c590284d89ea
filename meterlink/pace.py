"""The meter's own pace: how often its display updates, when it has fallen silent, which readings are old. Pure."""

from collections import deque
from statistics import median_low

from meterlink.reading import NS_PER_S, Instant

TOGETHER_NS = 6 * NS_PER_S // 100
"""Readings closer than this are one conversion sent twice, or a backlog: no meter updates faster than 10 times a
second, and an 11-byte block takes 46 ms at 2400 baud."""

_SHORTEST_SILENCE_NS = 2 * NS_PER_S
"""A meter that searches its range leaves out updates, for longer than three intervals (common practice, no source)."""
_LONGEST_SILENCE_NS = 30 * NS_PER_S
_UNKNOWN_SILENCE_NS = 3 * NS_PER_S

_QUICKER = 5
"""So many updates in a row, each in less than half the known interval, are another pace: of another function, or the
true one behind a computer that was too busy to take readings as they came."""

_LONGEST_BACKLOG_NS = 60 * NS_PER_S
"""No port, stack or adapter holds more than a minute of readings and hands it over in drips (common practice, no
source)."""


class Pace:
    """Follows the times at which readings arrive.

    After a break (a silence, a lost link, a computer that slept) what comes first may be a backlog: readings that were
    measured before and piled up. They arrive together, or at twice the meter's pace and more. So nothing counts as
    fresh again until a reading comes at the meter's own pace, at least half an interval after the one before it; or,
    where none does (the pace has become quicker meanwhile, or a busy computer had it wrong), until what piled up must
    be through, which takes as long again at most.
    """

    def __init__(self) -> None:
        self._last: Instant | None = None
        self._heard: Instant | None = None
        self._update_ns = 0
        self._intervals: deque[int] = deque(maxlen=9)
        self._quicker: list[int] = []
        self._fresh = True
        self._backlog_ns = 0

    @property
    def interval_ns(self) -> int | None:
        """The time between two updates of the display; None until two have come."""
        return median_low(self._intervals) if self._intervals else None

    @property
    def silent_after_ns(self) -> int:
        """How long a pause means that the meter sends nothing: three updates missed, 2 s at least, 30 s at most."""
        interval = self.interval_ns
        if interval is None:
            return _UNKNOWN_SILENCE_NS
        return min(max(interval * 7 // 2, _SHORTEST_SILENCE_NS), _LONGEST_SILENCE_NS)

    def silent(self, now: Instant) -> bool:
        """Tell whether the meter that was heard before has fallen silent."""
        return self._last is not None and now.monotonic_ns - self._last.monotonic_ns >= self.silent_after_ns

    def take(self, at: Instant) -> bool:
        """Note a reading; tell whether it is fresh, that is measured when it arrived."""
        last, self._last = self._last, at
        heard, self._heard = self._heard, at
        apart = 0 if heard is None else at.monotonic_ns - heard.monotonic_ns
        # The wall clock goes on while the computer sleeps; the monotonic one may not.
        pause = _LONGEST_BACKLOG_NS if heard is None else max(apart, at.utc_ns - heard.utc_ns)
        if last is None or pause >= self.silent_after_ns:
            self._paused(pause, at, broken=last is None)
        else:
            self._went_on(apart, at)
        return self._fresh

    def broke(self) -> None:
        """The link was lost: what comes first over the next one may be old."""
        self._fresh = False
        self._last = None

    def _paused(self, pause: int, at: Instant, *, broken: bool) -> None:
        self._backlog_ns = min(self._backlog_ns + pause, _LONGEST_BACKLOG_NS)
        self._quicker.clear()
        if broken:
            self._update_ns = at.monotonic_ns
        else:
            self._fresh = False
            self._update(at)

    def _went_on(self, apart: int, at: Instant) -> None:
        self._backlog_ns = max(0, self._backlog_ns - apart)
        if apart >= max((self.interval_ns or 0) // 2, TOGETHER_NS):
            self._fresh = True
            self._quicker.clear()
            self._update(at)
        elif apart >= TOGETHER_NS:
            self._quicker.append(apart)
        if self._fresh or not self._backlog_ns:
            self._fresh, self._backlog_ns = True, 0
            self._follow_quicker(at)

    def _follow_quicker(self, at: Instant) -> None:
        if len(self._quicker) < _QUICKER:
            return
        self._intervals.clear()
        self._intervals.extend(self._quicker[-_QUICKER:])
        self._quicker.clear()
        self._update_ns = at.monotonic_ns

    def _update(self, at: Instant) -> None:
        self._intervals.append(at.monotonic_ns - self._update_ns)
        self._update_ns = at.monotonic_ns
