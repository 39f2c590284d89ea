"""When a touch has settled: its readings stand still, and no likely continuation changes the verdict.

The rule, over the newest readings of one range of one touch:

- they span at least 0.4 s, whatever their number (some parts send each conversion twice);
- the noisier they are, the more of them it takes: 3 readings within one grain, 4 within two, 5 within five, 8 within a
  tenth of the distance to the nearest limit. A grain is the smallest change that means something: one count of the
  display, or 0.02 % of the reading where the display is finer than that;
- they do not drift: a run that only climbs or only falls is a value still moving, as is a window whose later half lies
  beside its earlier half;
- a value that would fail, or that stands within two grains of a limit, takes 5 readings; readings on both sides of a
  limit give no verdict until 8 of them stand still, and then `unclear`.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import NamedTuple

from meterlink.limits import Limits
from meterlink.outcome import Measured, VerdictOutcome
from meterlink.reading import NS_PER_S, Reading

MIN_SPAN_NS = 4 * NS_PER_S // 10
"""Shorter than any deliberate contact, longer than a brush past a terminal (common practice, no source)."""

CONFIRM_SPAN_NS = 8 * NS_PER_S // 10
"""A reading near 0 must have lasted this long to be confirmed: longer than a slip of the probe, which looks alike."""

LONGEST = 12
"""Readings kept of one touch; more would not change a decision."""


class _Size(NamedTuple):
    readings: int
    grains: int


_QUIET = (_Size(3, 1), _Size(4, 2), _Size(5, 5))
_CAREFUL = 5
_LONG = 8


@dataclass(frozen=True, slots=True)
class Settled:
    """A value that stands still."""

    measured: Measured
    readings: int
    """How many readings show it."""


def settle(readings: Sequence[Reading], limits: Limits | None) -> tuple[Settled, VerdictOutcome | None] | None:
    """Judge the newest readings of a touch.

    Args:
        readings: consecutive readings with a value, of one touch, function and range, oldest first.
        limits: what the step accepts, in the readings' unit; None where nothing is to be judged.

    Returns:
        The settled value and the verdict by `limits` (None without limits), or None while the value moves or the
        verdict could still change.
    """
    for size in _sizes(readings, limits):
        window = _newest(readings, size.readings)
        if window is None or _range(window) > size.grains * _grain(window[-1]) or _drifts(window):
            continue
        settled = Settled(Measured(_median(window), window[-1].unit), len(window))
        if limits is None:
            return settled, None
        outcome = _judge(window, limits)
        if outcome is VerdictOutcome.FAIL and size.grains > _QUIET[-1].grains:
            continue  # a value that swings may be a poor contact; it passes far from its limits, but fails no point
        if outcome is not None:
            return settled, outcome
    return None


def still_near_zero(readings: Sequence[Reading], spread: Decimal) -> Measured | None:
    """Return the value of readings that stay together near 0 (or all show OL), fit to be confirmed; else None.

    Args:
        readings: consecutive idle-like readings of one function, oldest first; ranges may differ.
        spread: the greatest difference among the newest of them, in their unit.
    """
    window = _newest(readings, _QUIET[0].readings, CONFIRM_SPAN_NS)
    if window is None:
        return None
    values = [_value(reading) for reading in window if reading.value is not None]
    if not values:
        return Measured(None, window[-1].unit)
    if len(values) < len(window):
        return None
    allowed = max(spread, 5 * max(_grain(reading) for reading in window))
    return Measured(_median(window), window[-1].unit) if max(values) - min(values) <= allowed else None


def same_value(one: Decimal, other: Reading) -> bool:
    """Tell whether a reading could show that value again on the same place: within 2 % or five grains."""
    return abs(_value(other) - one) <= max(abs(one) / 50, 5 * _grain(other))


def _sizes(readings: Sequence[Reading], limits: Limits | None) -> tuple[_Size, ...]:
    margin = limits.margin(_value(readings[-1])) if limits and readings else None
    wide = int(margin / 10 / _grain(readings[-1])) if margin else 0
    return (*_QUIET, _Size(_LONG, max(_QUIET[-1].grains, wide)))


def _newest(readings: Sequence[Reading], count: int, span_ns: int = MIN_SPAN_NS) -> Sequence[Reading] | None:
    """Return the fewest newest readings, at least `count`, that span that time."""
    for length in range(count, len(readings) + 1):
        window = readings[-length:]
        if window[-1].at.monotonic_ns - window[0].at.monotonic_ns >= span_ns:
            return window
    return None


def _judge(window: Sequence[Reading], limits: Limits) -> VerdictOutcome | None:
    inside = [limits.accept(_value(reading)) for reading in window]
    if any(inside) and not all(inside):
        return VerdictOutcome.UNCLEAR if len(window) >= _LONG else None
    margins = [limits.margin(_value(reading)) for reading in window]
    near = any(margin is not None and margin <= 2 * _grain(window[-1]) for margin in margins)
    if (near or not inside[0]) and len(window) < _CAREFUL:
        return None
    return VerdictOutcome.PASS if inside[0] else VerdictOutcome.FAIL


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


def _median(window: Sequence[Reading]) -> Decimal:
    """Return the middle value, one that was displayed."""
    values = sorted(_value(reading) for reading in window)
    return values[(len(values) - 1) // 2]


def _grain(reading: Reading) -> Decimal:
    return max(reading.resolution, abs(_value(reading)) / 5000)


def _value(reading: Reading) -> Decimal:
    if reading.value is None:
        raise ValueError("only readings that show a number can be compared")
    return reading.value
