"""When a touch has settled: its readings stand still, and no likely continuation changes the verdict.

**Standing still**, over the newest readings of one range of one touch:

- they span at least 0.4 s, whatever their number (some parts send each conversion twice);
- the more they spread, the more of them it takes: 3 readings within one grain, 4 within two, 5 within five. A grain is
  the smallest change that means something: one count of the display, or 0.02 % of the reading where it is finer;
- they do not drift: a run that only climbs or only falls is a value still moving, as is a window whose later half lies
  beside its earlier half.

**No likely continuation changes the verdict.** The borders between pass, too close to call and fail follow from limits,
rule and uncertainty (`meterlink.judging.rules`). A verdict rests on the window and on all before it that belongs to the
same value. All of it must lie on one side of each border, and besides:

- the mean lies farther from the nearest border than Student's t allows for it to be wrong by, at a risk of 0.2 % a
  look (the scatter counts as at least that of a rounded digit, so equal readings are not taken for certain); or
- 6 readings over a second lie on one side: if the value that the display hovers about lay on the other, each of them
  would have been an even chance at best, and 6 in a row 1 in 64 (a sign test, whatever the noise);
- it has no trend that would carry it on to a border within twenty times as long, and that has not ended since;
- a fail, and a value that is too close to call, takes 5 readings: a slip of the probe is shorter;
- 8 readings that spread wider pass, and only pass, where the next one would still do so by the prediction interval of
  the same risk: a swinging value may be a poor contact, and fails no point;
- 8 readings that stand still on both sides of a border are too close to call, as are 12 over three seconds that swing
  across one by 2 % at most, without a trend: a ripple, and no probe that is being laid on.

So a touch far from its limits is judged after 3 updates and one near a limit after 6 or 8, and an early verdict is
wrong in a few of a hundred touches at the very border and in none some counts away: `tests/early_verdicts.py` measures
it.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import NamedTuple

from meterlink.judging.budget import middle
from meterlink.judging.distribution import coverage_factor
from meterlink.judging.rules import Zones
from meterlink.judging.uncertainty import series
from meterlink.outcome import Measured, VerdictOutcome
from meterlink.reading import NS_PER_S, Reading

MIN_SPAN_NS = 4 * NS_PER_S // 10
"""Shorter than any deliberate contact, longer than a brush past a terminal (common practice, no source)."""

LONG_SPAN_NS = NS_PER_S
"""And near a limit, where the last count that a meter's filter creeps by would matter (common practice, no source)."""

CONFIRM_SPAN_NS = 8 * NS_PER_S // 10
"""A reading near 0 must have lasted this long to be confirmed: longer than a slip of the probe, which looks alike."""

LONGEST = 12
"""Readings kept of one touch at least; more would not change a decision,"""
LONGEST_NS = 3 * NS_PER_S
"""but for those of a fast meter: so long they are kept as well, to see a trend."""

RISK = Decimal("0.002")
"""The chance, at one look, that the mean lies beyond the border that it seems to keep clear of."""

TREND = Decimal("0.9")
"""How sure it must be that a trend is more than scatter, before it is heeded: it is taken seriously early."""

FORESIGHT = 20
"""How many times as long as it was seen a trend is taken to go on."""


class _Size(NamedTuple):
    readings: int
    grains: int


_QUIET = (_Size(3, 1), _Size(4, 2), _Size(5, 5), _Size(6, 5), _Size(8, 5))
_TREND_READINGS = 4
_CAREFUL = 5
_ONE_SIDED = 6
_LONG = 8

Borders = Callable[[Sequence[Reading]], Zones]
"""Where pass and fail begin for readings that show numbers."""


@dataclass(frozen=True, slots=True)
class Settled:
    """A value that stands still."""

    measured: Measured
    window: tuple[Reading, ...]
    """The readings that show it."""


def settle(readings: Sequence[Reading], borders: Borders | None) -> tuple[Settled, VerdictOutcome | None] | None:
    """Judge the newest readings of a touch.

    Args:
        readings: consecutive readings with a value, of one touch, function and range, oldest first.
        borders: where pass and fail begin, in the readings' unit; None where nothing is to be judged.

    Returns:
        The settled value and the verdict (None without borders), or None while the value moves or the verdict could
        still change.
    """
    for size in _QUIET:
        window = _newest(readings, size.readings)
        if window is None or _drifts(window):
            continue
        quiet = _range(window) <= size.grains * _grain(window[-1])
        if borders is None:
            if quiet:
                return _settled(window), None
            continue
        stretch = _stretch(readings, window) if quiet else window
        zones = borders(stretch)
        outcome = _judge(window, stretch, zones) if quiet else _judge_swinging(window, zones)
        if outcome is not None:
            return _settled(stretch), outcome
    if borders is not None and _ripples(readings):
        zones = borders(readings)
        if len({zones.outcome(_value(reading)) for reading in readings}) > 1:
            return _settled(readings), VerdictOutcome.UNCLEAR
    return None


def _settled(window: Sequence[Reading]) -> Settled:
    return Settled(Measured(middle([_value(reading) for reading in window]), window[-1].unit), tuple(window))


def newest(readings: Sequence[Reading]) -> list[Reading]:
    """Return the readings of a touch that are worth keeping."""
    since = readings[-1].at.monotonic_ns - LONGEST_NS
    fresh = sum(reading.at.monotonic_ns >= since for reading in readings)
    return list(readings[-max(fresh, LONGEST) :])


def still_near_zero(readings: Sequence[Reading], spread: Decimal) -> Settled | None:
    """Return what readings show that stay together near 0 (or all show OL), fit to be confirmed; else None.

    Args:
        readings: consecutive idle-like readings of one function, oldest first; ranges may differ.
        spread: the greatest difference among the newest of them, in their unit.
    """
    window = _newest(readings, _QUIET[0].readings, CONFIRM_SPAN_NS)
    if window is None:
        return None
    values = [_value(reading) for reading in window if reading.value is not None]
    if not values:
        return Settled(Measured(None, window[-1].unit), tuple(window))
    if len(values) < len(window):
        return None
    allowed = max(spread, 5 * max(_grain(reading) for reading in window))
    return _settled(window) if max(values) - min(values) <= allowed else None


def same_value(one: Decimal, other: Reading) -> bool:
    """Tell whether a reading could show that value again on the same place: within 2 % or five grains."""
    return abs(_value(other) - one) <= max(abs(one) / 50, 5 * _grain(other))


def _newest(readings: Sequence[Reading], count: int, span_ns: int = MIN_SPAN_NS) -> Sequence[Reading] | None:
    """Return the fewest newest readings, at least `count`, that span that time."""
    for length in range(count, len(readings) + 1):
        window = readings[-length:]
        if _span(window) >= span_ns:
            return window
    return None


def _judge(window: Sequence[Reading], stretch: Sequence[Reading], zones: Zones) -> VerdictOutcome | None:
    """Judge readings that stand still; those just before them that belong to the same value must not contradict."""
    outcomes = {zones.outcome(_value(reading)) for reading in stretch}
    if len(outcomes) > 1:
        return VerdictOutcome.UNCLEAR if len(stretch) >= _LONG and not _drifts(stretch) else None
    (outcome,) = outcomes
    if (outcome is not VerdictOutcome.PASS and len(window) < _CAREFUL) or _still_heads_for_a_border(stretch, zones):
        return None
    one_sided = len(stretch) >= _ONE_SIDED and _span(stretch) >= LONG_SPAN_NS and not _drifts(stretch)
    return outcome if one_sided or _keeps_clear(window, zones, Decimal(1) / len(window)) else None


def _span(window: Sequence[Reading]) -> int:
    return window[-1].at.monotonic_ns - window[0].at.monotonic_ns


def _stretch(readings: Sequence[Reading], window: Sequence[Reading]) -> Sequence[Reading]:
    """The window and what lies before it without leaving the band of a value that stands still."""
    band = max(_QUIET[-1].grains * _grain(window[-1]), 2 * _range(window))
    length = len(window)
    while length < len(readings) and _range(readings[-length - 1 :]) <= band:
        length += 1
    return readings[-length:]


def _judge_swinging(window: Sequence[Reading], zones: Zones) -> VerdictOutcome | None:
    """Judge readings that spread: they pass where the next one would still be accepted."""
    accepted = all(zones.outcome(_value(reading)) is VerdictOutcome.PASS for reading in window)
    if not accepted or len(window) < _LONG or _heads_for_a_border(window, zones):
        return None
    return VerdictOutcome.PASS if _keeps_clear(window, zones, 1 + Decimal(1) / len(window)) else None


def _ripples(readings: Sequence[Reading]) -> bool:
    """Tell whether all readings kept of a touch swing a little about one value, and have for long."""
    if len(readings) < LONGEST or _span(readings) < LONGEST_NS or _drifts(readings):
        return False
    values = [_value(reading) for reading in readings]
    return _range(readings) <= abs(middle(values)) / 50 and not _trend(values)


def _heads_for_a_border(readings: Sequence[Reading], zones: Zones) -> bool:
    """Tell whether readings have a trend that would come to a border if it went on."""
    values = [_value(reading) for reading in readings]
    moved = _trend(values)
    clear = zones.ahead(values[-1], upward=moved > 0)
    return abs(moved) >= _grain(readings[-1]) and clear is not None and clear < FORESIGHT * abs(moved)


def _still_heads_for_a_border(stretch: Sequence[Reading], zones: Zones) -> bool:
    """The same of readings that stand still: it has ended where they have shown one value for two seconds."""
    last = _newest(stretch, _TREND_READINGS, 2 * LONG_SPAN_NS)
    ended = last is not None and _range(last) < _grain(stretch[-1])
    return not ended and _heads_for_a_border(stretch, zones)


def _trend(values: Sequence[Decimal]) -> Decimal:
    """How far values have moved along the straight line through them (GUM H.3); 0 where that may be scatter."""
    count = len(values)
    if count < _TREND_READINGS:
        return Decimal(0)
    at = [Decimal(2 * index - count + 1) / 2 for index in range(count)]
    mean, squares = sum(values, Decimal(0)) / count, sum((x * x for x in at), Decimal(0))
    slope = sum((x * value for x, value in zip(at, values, strict=True)), Decimal(0)) / squares
    left = sum(((value - mean - slope * x) ** 2 for x, value in zip(at, values, strict=True)), Decimal(0))
    uncertain = (left / (count - 2) / squares).sqrt()
    return slope * (count - 1) if abs(slope) > coverage_factor(TREND, count - 2) * uncertain else Decimal(0)


def _keeps_clear(window: Sequence[Reading], zones: Zones, variance: Decimal) -> bool:
    """Tell whether the mean lies farther from every border than its error reaches.

    Args:
        window: the readings.
        zones: with the borders.
        variance: that of the error, as a multiple of one reading's.
    """
    seen = series([_value(reading) for reading in window])
    clear = zones.distance(seen.mean)
    if clear is None:
        return True
    scatter = max(seen.deviation, _grain(window[-1]) / Decimal(12).sqrt())
    return clear > coverage_factor(1 - 2 * RISK, seen.dof) * scatter * variance.sqrt()


def _drifts(window: Sequence[Reading]) -> bool:
    values = [_value(reading) for reading in window]
    spread, grain = max(values) - min(values), _grain(window[-1])
    if spread < grain:
        return False
    if values in (sorted(values), sorted(values, reverse=True)):
        return True
    half = len(values) // 2
    shift = abs(sum(values[-half:], Decimal(0)) - sum(values[:half], Decimal(0))) / half
    return len(values) > 3 and spread > grain and shift * 2 > spread


def _range(window: Sequence[Reading]) -> Decimal:
    values = [_value(reading) for reading in window]
    return max(values) - min(values)


def _grain(reading: Reading) -> Decimal:
    return max(reading.resolution, abs(_value(reading)) / 5000)


def _value(reading: Reading) -> Decimal:
    if reading.value is None:
        raise ValueError("only readings that show a number can be compared")
    return reading.value
