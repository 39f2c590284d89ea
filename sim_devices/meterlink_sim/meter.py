"""The simulated meter's front end: what a 6000-count autorange display shows of a signal that comes and goes.

One update covers one interval. The signal passes the input filter, is averaged over the interval, and is shown on the
range that was chosen before; the range moves by one step an update. Common practice, no source.
"""

import random
from collections.abc import Sequence
from dataclasses import dataclass
from math import exp, inf, isinf, sqrt

from meterlink.reading import Flag, Function, Instant, Reading

FULL_SCALE = 5999
_STEP_DOWN = 540
"""Below 9 % of a range the next lower one is taken; above its end the next higher: the gap is the hysteresis."""
_CLIP = 2
"""The input stage saturates at this multiple of the range's end."""
_WANDER_S = 1.5
"""How long stray voltage takes to wander, in seconds."""


@dataclass(frozen=True, slots=True)
class Range:
    """One range: how its digits are written, and the size of one count in the unit without prefix."""

    decimals: int
    scale: int

    @property
    def count(self) -> float:
        """The size of one count."""
        return float(f"1e{self.scale - self.decimals}")

    def write(self, counts: int) -> str:
        """The digits as the display shows them, leading zeros kept: `24.06`, `-000.3`."""
        digits = f"{abs(counts):04d}"
        return f"{'-' if counts < 0 else ''}{digits[: -self.decimals]}.{digits[-self.decimals :]}"


RANGES = {
    Function.DC_VOLTAGE: (Range(1, -3), Range(3, 0), Range(2, 0), Range(1, 0)),
    Function.AC_VOLTAGE: (Range(3, 0), Range(2, 0), Range(1, 0)),
    Function.RESISTANCE: (Range(1, 0), Range(3, 3), Range(2, 3), Range(1, 3), Range(3, 6), Range(2, 6)),
    Function.CONTINUITY: (Range(1, 0),),
}


@dataclass(frozen=True, slots=True)
class Stretch:
    """A time in which the signal stood still."""

    seconds: float
    signal: float | None
    """At the probes, in the function's unit. None: open leads or a conductor that floats. Ohms are `inf` there."""


class Meter:
    """One meter with its own gain error and leads."""

    def __init__(self, rng: random.Random, noise: float = 1.0, own: random.Random | None = None) -> None:
        """Draw a meter; what is its own comes from `own`, where several jobs are done with it."""
        own = own or rng
        self._rng = rng
        self._noise_counts = 0.3 * noise
        self._gain = 1 + own.uniform(-0.002, 0.002)
        self._lead_ohms = own.uniform(0.2, 0.4)  # a pair of leads is 0.2 to 0.5 Ohm (makers' notes)
        self._tau = own.uniform(0.01, 0.04)
        self._ghost = _Ghost(rng)
        self._range = 0
        self._range_is_new = False
        self._input = 0.0
        self._shown: int | None = 0
        self._held: tuple[str, int] | None = None
        self._last: tuple[str, int] = ("", 0)
        self.function = Function.DC_VOLTAGE

    def turn_to(self, function: Function) -> None:
        """Turn the dial; the meter begins anew on the range on which it wakes up."""
        self.function = function
        self._range = len(RANGES[function]) - 1 if function.open_leads_read_overload else 0
        self._range_is_new = True
        self._input = 0.0

    def press_hold(self) -> None:
        """Freeze the display, or let it go again."""
        self._held = None if self._held else self._last

    def update(self, stretches: Sequence[Stretch], at: Instant) -> Reading:
        """What the display shows at the end of an interval.

        Args:
            stretches: the signal over the interval, in order.
            at: the end of the interval.
        """
        self._last = self._convert(stretches)
        text, scale = self._held or self._last
        flags = {Flag.AUTO_RANGE, Flag.HOLD} if self._held else {Flag.AUTO_RANGE}
        return Reading(text, self.function.unit, self.function, at, scale, frozenset(flags))

    def shows(self, signal: float | None) -> bool:
        """Whether the last update shows what a signal comes to, within one count, on the range where it rests."""
        if signal is None or self._held:
            return False
        reach = self._reach(signal)
        if isinf(reach):
            return self._last[0] == "OL" and self._range == len(self._ranges) - 1
        if self._shown is None or self._range_is_new:
            return False
        return abs(self._shown - reach / self._ranges[self._range].count) <= 1

    @property
    def _ranges(self) -> tuple[Range, ...]:
        return RANGES[self.function]

    def _reach(self, signal: float) -> float:
        """The value at the converter once everything has settled."""
        leads = self._lead_ohms if self.function.open_leads_read_overload else 0.0
        return (signal + leads) * self._gain

    def _convert(self, stretches: Sequence[Stretch]) -> tuple[str, int]:
        chosen = self._ranges[self._range]
        mean = self._average(stretches, _CLIP * FULL_SCALE * chosen.count)
        counts = round(mean / chosen.count + self._rng.gauss(0, self._noise_counts))
        was_new = self._range_is_new
        moved = self._choose_range(counts)
        if abs(counts) > FULL_SCALE:
            self._shown = None
            return "OL" if counts > 0 else "-OL", chosen.scale
        if was_new or moved:
            chance = self._rng.random()
            if chance < 0.25:
                self._shown = None
                return "", chosen.scale
            if chance < 0.5:
                counts = round(counts * self._rng.uniform(0.2, 0.95))
        self._shown = counts
        return chosen.write(counts), chosen.scale

    def _average(self, stretches: Sequence[Stretch], clip: float) -> float:
        """Pass the stretches through the input filter (one time constant) and average; closed form, no steps."""
        interval = sum(stretch.seconds for stretch in stretches)
        stray = self._ghost.next(any(stretch.signal is None for stretch in stretches), interval)
        area = 0.0
        for stretch in stretches:
            target = max(-clip, min(clip, self._target(stretch.signal, stray)))
            left = (self._input - target) * exp(-stretch.seconds / self._tau)
            area += target * stretch.seconds + (self._input - target - left) * self._tau
            self._input = target + left
        return area / interval

    def _target(self, signal: float | None, stray: float) -> float:
        if signal is None:
            return inf if self.function.open_leads_read_overload else stray
        return self._reach(signal)

    def _choose_range(self, counts: int) -> bool:
        """Move by one range at most for the next update; tell whether it moved."""
        before = self._range
        if abs(counts) > FULL_SCALE:
            self._range = min(self._range + 1, len(self._ranges) - 1)
        elif abs(counts) < _STEP_DOWN:
            self._range = max(self._range - 1, 0)
        self._range_is_new = self._range != before
        return self._range_is_new


class _Ghost:
    """Stray voltage on leads that nothing drives: it wanders around 0, a few mV to about a volt, sometimes more."""

    def __init__(self, rng: random.Random) -> None:
        self._rng = rng
        self._open = False
        self._spread = 0.0
        self._volts = 0.0

    def next(self, open_leads: bool, seconds: float) -> float:
        """Volts so many seconds later; each time that the leads come free it has a new size."""
        if open_leads and not self._open:
            largest = 3.0 if self._rng.random() < 0.05 else 0.3
            self._spread = 0.002 * (largest / 0.002) ** self._rng.random()  # evenly over the decades
        self._open = open_leads
        kept = exp(-seconds / _WANDER_S)
        self._volts = kept * self._volts + self._rng.gauss(0, self._spread * sqrt(1 - kept * kept))
        return self._volts
