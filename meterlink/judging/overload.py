"""What a display proves that shows OL: that the value is above the end of the range it stands on."""

from collections.abc import Sequence
from decimal import Decimal

from meterlink.instrument import Range
from meterlink.reading import Flag, Function, Reading

_LOWEST_END = Decimal(50)
"""Ohms: no hand-held has a range of resistance that ends lower (common practice, no source)."""
_HIGHEST_END = Decimal(1_000_000)
"""Ohms: one that chooses its range by itself goes as high at least (common practice, no source)."""


def proved_by_overload(reading: Reading, ranges: Sequence[Range]) -> Decimal | None:
    """Return what the value is above, in the unit of the reading; None where nothing is known.

    A meter that chooses its range by itself stands on its highest. Otherwise the prefix shown tells the lowest range
    that it can be.

    Args:
        reading: one that shows OL.
        ranges: the meter's own, of this function, smallest first; none where they are not known.
    """
    chooses = Flag.AUTO_RANGE in reading.flags
    least = Decimal(1).scaleb(reading.scale)
    if ranges:
        return ranges[-1].full if chooses else next((each.full for each in ranges if each.full >= least), least)
    if reading.function not in (Function.RESISTANCE, Function.CONTINUITY):
        return least if reading.scale else None
    return max(least, _HIGHEST_END if chooses and reading.function is Function.RESISTANCE else _LOWEST_END)
