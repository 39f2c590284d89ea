"""What touches say about what is wrong: Bayes' rule over everything that may be.

All touches share two things that are not known: how high the supply stands, and the meter's gain error. So each suspect
carries the level t of both, between -1 and 1, as far as its touches leave it open: every reading that fits narrows it.
Errors count as rectangular, as the meter's limits of error do, so a likelihood is the length of an interval.

A touch may have missed its point: then it reads what leads in the air do, and says nothing. And rarely it is something
else altogether. So nothing is ever ruled out by one touch, and a contradiction shows as a touch that its best
explanation has to take for a miss.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from meterlink.circuit.dictionary import SHARED_GAIN, Dictionary, Measure, Prediction, Question
from meterlink.circuit.fault import Suspect
from meterlink.outcome import Measured

MISS_SHARE = 0.05
"""The chance that a touch misses: varnish, a wrong terminal, a tip beside the screw (common practice, no source)."""

AIR_VOLTS = 0.05
"""What leads in the air mostly stay below, in V."""
STRAY_VOLTS = 3.0
"""And what they hardly ever exceed on 10 MOhm (common practice, no source)."""

_FAR_OHMS = 1e5
"""From here on a meter may as well show OL."""

_AIR = (0.85, 0.149)
_FLOATS = (0.5, 0.3)
"""Shares of what leads in the air, and a node that floats, read below both; the rest is anything up to the supply."""
_LOOSE_SHARE, _LOOSE = 0.03, 4.0
"""The chance that a reading lies outside its spread, and how much wider that then is."""
_ODD_SHARE = 1e-5
_ODD_VOLTS = 120.0
"""The chance that a touch reads something else altogether, and the width over which."""
_MOST_WAYS = 5
_LEAST_WIDTH, _NO_SLOPE = 1e-6, 1e-9
MOSTLY_AS_STATED, AS_STATED = 0.7, 0.999
_ELSEWHERE = (-0.15, 0.08)
"""How likely the supply stands where the circuit says, and else how far beside it, as shares: a bank that is said to
float may have rested for a week, or be at finishing charge (common practice, no source). Below, it counts as weak.
Where a procedure has found it outside its limits, that is the fault and no accident: then it stands as stated."""
_NEGLIGIBLE = 1e-9
_OUT_OF_THE_QUESTION = 1e-13
"""What has less than this share is dropped for good."""


@dataclass(frozen=True, slots=True)
class Seen:
    """One touch."""

    question: Question
    value: float | None
    """In V or Ohm; None: OL."""
    gain: float = 0.006
    """The meter's limit of error as a share of the reading, which all its touches share."""
    counts: float = 0.03
    """And the part that is the same all over the range, in the unit."""
    shown: Measured | None = None
    """As the display showed it, digit by digit; None where nobody keeps it."""

    @property
    def may_be_off(self) -> float:
        """What the meter may be off by that its other touches do not share, in the unit."""
        shared = SHARED_GAIN if self.question.measure is Measure.VOLTAGE else 0.0
        return self.counts + max(self.gain - shared, 0.0) * abs(self.value or 0.0)


Span = tuple[float, float, float, float]
"""Between which levels the supply stands, and between which sizes a fault of some size has, both from -1 to 1."""

ANY: Span = (-1.0, 1.0, -1.0, 1.0)

_Way = tuple[float, Span]
"""One way in which a suspect explains the touches so far: how likely it is, and what it leaves."""


@dataclass(frozen=True, slots=True)
class Standing:
    """How likely something is, after the touches so far."""

    index: int
    """The suspect's place in the dictionary."""
    suspect: Suspect
    probability: float
    span: "Span"
    """What its best explanation leaves of the level and the size."""
    answer: tuple[str, ...]
    """Where it is: parts and points; empty for none."""


class Evidence:
    """The posterior over the suspects."""

    def __init__(
        self,
        dictionary: Dictionary,
        weights: Sequence[float],
        *,
        pairs: bool = True,
        as_stated: float = MOSTLY_AS_STATED,
    ) -> None:
        """Begin with nothing touched.

        Args:
            dictionary: of the circuit in its situation.
            weights: of its suspects, before anything was touched.
            pairs: whether faults that are there together are looked at too.
            as_stated: how likely the supply stands where the circuit says.
        """
        self.dictionary = dictionary
        self.touches: tuple[Seen, ...] = ()
        level = dictionary.level
        looked_at = {
            index: weight
            for index, (weight, suspect) in enumerate(zip(weights, dictionary.suspects, strict=True))
            if weight > 0 and (pairs or len(suspect.faults) < 2)
        }
        total = 0.0
        for weight in looked_at.values():
            total += weight
        self._ways = {index: _levels(weight / total, level, as_stated) for index, weight in looked_at.items()}

    def take(self, seen: Seen) -> None:
        """Take a touch in."""
        self.touches = (*self.touches, seen)
        supply = self.dictionary.supply
        touch = _Touch(
            value=seen.value,
            missed=MISS_SHARE * _in_air(seen, _AIR, supply) + _odd(seen),
            floating=_in_air(seen, _FLOATS, supply),
            own=seen.may_be_off,
        )
        updated: dict[int, list[_Way]] = {}
        total = 0.0
        for index, ways in self._ways.items():
            prediction = self.dictionary.predict(index, seen.question)
            kept = _after(ways, prediction, touch)
            updated[index] = kept
            for way in kept:
                total += way[0]
        self._ways = {
            index: [(weight / total, span) for weight, span in ways]
            for index, ways in updated.items()
            if ways[0][0] > total * _OUT_OF_THE_QUESTION
        }

    def standings(self) -> list[Standing]:
        """Every suspect, the likeliest first; of equally likely ones, in the order of the circuit."""
        rows = []
        for index, ways in self._ways.items():
            total = 0.0
            for way in ways:
                total += way[0]
            answer = self.dictionary.answers[index]
            rows.append(Standing(index, self.dictionary.suspects[index], total, ways[0][1], answer))
        return sorted(rows, key=lambda row: -row.probability)


def _levels(weight: float, level: float, as_stated: float) -> list[_Way]:
    """Where the supply may stand, in units of how far it may lie beside its nominal level as stated."""
    low, high = (share / level if level else 0.0 for share in _ELSEWHERE)
    return [(weight * as_stated, ANY), (weight * (1 - as_stated), (min(low, -1.0), max(high, 1.0), -1.0, 1.0))]


@dataclass(frozen=True, slots=True)
class _Touch:
    """A touch, and how likely it is whatever is wrong."""

    value: float | None
    """What it read; None for OL."""
    missed: float
    """How likely that is for a touch that says nothing, with the chance of one."""
    floating: float
    """How likely it is for a node that floats."""
    own: float
    """What the meter may be off by that its touches do not share."""


def _after(ways: Sequence[_Way], prediction: Prediction, touch: _Touch) -> list[_Way]:
    """How a suspect explains one touch more: the ways that count, the likeliest first."""
    new: list[_Way] = []
    for weight, span in ways:
        new.append((weight * touch.missed, span))
        real = weight * (1 - MISS_SHARE)
        if prediction.value is None:
            new.append((real * touch.floating, span))
        elif touch.value is None:
            new.append((real * _overload(prediction.value), span))
        else:
            spread = prediction.spread + touch.own
            off = touch.value - prediction.value
            for share, wide in ((1 - _LOOSE_SHARE, spread), (_LOOSE_SHARE, spread * _LOOSE)):
                fit = _narrowed(span, off, wide, prediction)
                if fit is not None:
                    new.append((real * share * fit[0], fit[1]))
    new.sort(key=lambda way: -way[0])
    least = new[0][0] * _NEGLIGIBLE
    return [way for way in new[:_MOST_WAYS] if way[0] > least]


def fits(seen: Seen, prediction: Prediction, span: Span, *, loosely: bool = True) -> bool:
    """Whether a touch is what a prediction says, at one of those levels; what floats may show anything up to 3 V.

    Args:
        seen: the touch.
        prediction: of its question.
        span: the levels at which the supply may stand, and the sizes that the fault may have.
        loosely: whether it may lie outside its spread as rarely happens.
    """
    ohms = seen.question.measure is Measure.RESISTANCE
    if prediction.value is None:
        most = _FAR_OHMS if ohms else STRAY_VOLTS
        return seen.value is None or (seen.value >= most if ohms else abs(seen.value) <= most)
    if seen.value is None:
        return ohms and prediction.value > _FAR_OHMS
    spread = (prediction.spread + seen.may_be_off) * (_LOOSE if loosely else 1.0)
    return _narrowed(span, seen.value - prediction.value, spread, prediction) is not None


def _narrowed(span: Span, off: float, spread: float, prediction: Prediction) -> _Way | None:
    """What a reading leaves of levels and sizes, and how likely it is.

    Of the two, the one that could move the reading more is narrowed; what the other could do counts as spread.

    Args:
        span: what was left.
        off: by how much the reading lies above the prediction in the middle of levels and sizes.
        spread: how far it may lie beside it, either way.
        prediction: what was said.
    """
    low, high, small, large = span
    by_level, by_size = abs(prediction.slope) * (high - low) / 2, abs(prediction.bend) * (large - small) / 2
    if by_size > by_level:
        rest = off - prediction.slope * (low + high) / 2
        fit = _cut(small, large, rest, spread + by_level, prediction.bend)
        return None if fit is None else (fit[0], (low, high, fit[1], fit[2]))
    rest = off - prediction.bend * (small + large) / 2
    fit = _cut(low, high, rest, spread + by_size, prediction.slope)
    return None if fit is None else (fit[0], (fit[1], fit[2], small, large))


def _cut(low: float, high: float, off: float, spread: float, slope: float) -> tuple[float, float, float] | None:
    """Where in an interval slope times x comes within a spread of a value, and how likely that is."""
    if abs(slope) < _NO_SLOPE:
        return (1 / (2 * spread), low, high) if abs(off) <= spread else None
    one, other = (off - spread) / slope, (off + spread) / slope
    least, most = max(low, min(one, other)), min(high, max(one, other))
    if least > most:
        return None
    # An interval that is pinned down to a point still has some width: the meter's counts.
    share = max((most - least) / (high - low), _LEAST_WIDTH) if high > low else 1.0
    return share / (2 * spread), least, most


def _overload(ohms: float) -> float:
    """How likely OL is where there is a path: only for one of very high resistance."""
    return 1.0 if ohms > _FAR_OHMS else 1e-4


def _in_air(seen: Seen, shares: tuple[float, float], supply: float) -> float:
    """How likely a reading is for leads in the air or a node that floats, as a density (of OL, as a chance)."""
    if seen.question.measure is Measure.RESISTANCE:
        return 1.0 if seen.value is None else 1e-6
    if seen.value is None:
        return 1e-6
    near, stray = shares
    size = abs(seen.value)
    reach = max(supply, STRAY_VOLTS) * 1.1
    density = (1 - near - stray) / (2 * reach) if size <= reach else 0.0
    density += near / (2 * AIR_VOLTS) if size <= AIR_VOLTS else 0.0
    return density + (stray / (2 * STRAY_VOLTS) if size <= STRAY_VOLTS else 0.0)


def _odd(seen: Seen) -> float:
    return _ODD_SHARE / _ODD_VOLTS if seen.value is not None else _ODD_SHARE
