"""Answers that the hands give with what they hold: the meter's HOLD key, and the probes shorted twice.

Pure. A gesture has a beginning, which tells what it would confirm, and an end, which confirms it: one slip of a finger
does neither. It counts only where an answer is waited for from its first reading on.
"""

from collections.abc import Callable, Collection
from dataclasses import dataclass, field
from decimal import Decimal
from enum import StrEnum

from meterlink.reading import NS_PER_S, Flag, Instant, Reading, State

HOLD_NS = 5 * NS_PER_S
"""HOLD that stays on longer was switched on for another reason, or by itself (our own choice)."""

SHORTED = Decimal(1)
"""Ohms: test leads with their tips together read less (makers' notes: a pair is 0.2 to 0.5 Ohm)."""

SHORT_NS = 2 * NS_PER_S
"""Tips that stay together longer are being nulled, or lie in the bag (our own choice)."""

PAIR_NS = 5 * NS_PER_S
"""From the first short to the end of the second one (our own choice)."""


class Way(StrEnum):
    """How an answer can be given without a keyboard."""

    HOLD = "hold"
    """HOLD on and off again."""
    SHORT = "short"
    """In ohms or continuity: the tips together, apart, together, apart."""


class Gesture(StrEnum):
    """What a reading adds."""

    BEGUN = "begun"
    GIVEN = "given"


@dataclass(slots=True)
class Gestures:
    """Follows the readings for as long as a check runs."""

    ways: frozenset[Way] = frozenset(Way)
    """Those that are switched on."""
    began: Instant | None = None
    """When the gesture began that was given last."""
    _held: Instant | None = None
    """When HOLD came on that would confirm."""
    _shorts: list[Instant] = field(default_factory=list)
    """When the tips came together, the first and the second time."""
    _shorted: bool = False
    _last: Reading | None = None

    @property
    def holding(self) -> bool:
        """Whether HOLD is on and would confirm when it goes off."""
        return self._held is not None

    @property
    def shorting(self) -> bool:
        """Whether the tips are together, or were just now, so that they may confirm."""
        return bool(self._shorts)

    def clear(self) -> None:
        """Forget what was begun: something else is waited for now."""
        self._held = None
        self._shorts.clear()

    def take(self, reading: Reading, awaited: Callable[[], Collection[Way]]) -> tuple[Way, Gesture] | None:
        """Follow one reading.

        Args:
            reading: the newest one.
            awaited: says how the answer may be given that is waited for, nothing while none is; asked only where a
                gesture may begin or go on, for it takes time.
        """
        before, self._last = self._last, reading
        if before is None or before.function is not reading.function:
            self.clear()
            self._shorted = _tips_together(reading)
            return None
        if Flag.HOLD in reading.flags or Flag.HOLD in before.flags:
            self._shorts.clear()
            return self._hold(before, reading, awaited)
        return self._short(reading, awaited)

    def _hold(
        self, before: Reading, reading: Reading, awaited: Callable[[], Collection[Way]]
    ) -> tuple[Way, Gesture] | None:
        if Flag.HOLD not in reading.flags:
            began, self._held = self._held, None
            if began is not None and _since(began, reading) <= HOLD_NS:
                self.began = began
                return Way.HOLD, Gesture.GIVEN
            return None
        if Flag.HOLD not in before.flags and Way.HOLD in self.ways and Way.HOLD in awaited():
            self._held = reading.at
            return Way.HOLD, Gesture.BEGUN
        if self._held is not None and _since(self._held, reading) > HOLD_NS:
            self._held = None
        return None

    def _short(self, reading: Reading, awaited: Callable[[], Collection[Way]]) -> tuple[Way, Gesture] | None:
        together, was = _tips_together(reading), self._shorted
        if reading.state is State.BLANK:
            return None
        self._shorted = together
        if not (together or self._shorts):
            return None
        if (
            Way.SHORT not in self.ways
            or Way.SHORT not in awaited()
            or (self._shorts and _since(self._shorts[0], reading) > PAIR_NS)
        ):
            self._shorts.clear()
        elif together and not was:
            self._shorts.append(reading.at)
        elif together and self._shorts and _since(self._shorts[-1], reading) > SHORT_NS:
            self._shorts.clear()
        elif was and not together and self._shorts:
            return self._apart(reading)
        return None

    def _apart(self, reading: Reading) -> tuple[Way, Gesture] | None:
        """The tips have come apart: open leads between and after the shorts, nothing else."""
        if reading.state is not State.OVERLOAD:
            self._shorts.clear()
            return None
        if len(self._shorts) == 1:
            return Way.SHORT, Gesture.BEGUN
        self.began = self._shorts[0]
        self._shorts.clear()
        return Way.SHORT, Gesture.GIVEN


def _tips_together(reading: Reading) -> bool:
    ohms = reading.function.open_leads_read_overload and reading.unit == "Ohm"
    return ohms and reading.value is not None and abs(reading.value) <= SHORTED


def _since(began: Instant, reading: Reading) -> int:
    return reading.at.monotonic_ns - began.monotonic_ns
