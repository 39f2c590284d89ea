"""States that a display shows one after the other: when one has gone over into another, and how sure that time is."""

from dataclasses import dataclass, field

from meterlink.outcome import Change, Measured
from meterlink.reading import NS_PER_S, Instant, Reading

STANDS_READINGS = 2
"""A state is there once so many updates in a row show it; what is shorter is a bounce, for all the meter can tell,"""
STANDS_NS = NS_PER_S // 5
"""and, for a fast meter, once they span so long (common practice, no source)."""


@dataclass(slots=True)
class Spells:
    """Follows the states of one point. Display blanks and values between the states say nothing, and cost certainty."""

    step: str
    """Named by the changes."""
    state: str | None = None
    """The one that stands; None before any does."""
    bounces: int = 0
    """All that were seen since the beginning."""
    _seen: Reading | None = None
    """The newest reading of the state that stands."""
    _next: str | None = None
    _next_readings: list[Reading] = field(default_factory=list)
    """Readings in a row that show another state."""
    _bounces: int = 0
    """Those since the last change."""

    def take(self, state: str | None, reading: Reading) -> Change | None:
        """Follow one reading; return the change that it makes certain.

        Args:
            state: what it shows; None for none of the states.
            reading: of the function that the states are read in, not blank.
        """
        if state == self.state and state is not None:
            if self._next is not None:
                self._bounced()
            self._seen = reading
            return None
        if state is None:
            self._next_readings = []
            return None
        if state != self._next:
            if self._next is not None:
                self._bounced()
            self._next, self._next_readings = state, []
        self._next_readings.append(reading)
        return self._changed() if self._stands() else None

    def shown(self, state: str) -> Instant | None:
        """When the state that another gives way to was seen last; None where that is not so."""
        return self._seen.at if self._seen is not None and self.state == state else None

    def _bounced(self) -> None:
        self._bounces += 1
        self.bounces += 1
        self._next, self._next_readings = None, []

    def _stands(self) -> bool:
        first, last = self._next_readings[0], self._next_readings[-1]
        long_enough = last.at.monotonic_ns - first.at.monotonic_ns >= STANDS_NS
        return len(self._next_readings) >= STANDS_READINGS and long_enough

    def _changed(self) -> Change | None:
        before, first, newest = self._seen, self._next_readings[0], self._next_readings[-1]
        was, now, bounces = self.state, self._next, self._bounces
        self.state, self._seen = now, newest
        self._next, self._next_readings, self._bounces = None, [], 0
        if was is None or now is None or before is None:
            return None
        measured = Measured(newest.value, newest.unit)
        within = first.at.monotonic_ns - before.at.monotonic_ns
        return Change(self.step, was, now, measured, within, bounces, _between(before.at, first.at))


def _between(one: Instant, other: Instant) -> Instant:
    return Instant((one.monotonic_ns + other.monotonic_ns) // 2, (one.utc_ns + other.utc_ns) // 2)
