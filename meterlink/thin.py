"""Thins a trace to what a screen can show, so that no dip and no peak is lost. Pure."""

from bisect import bisect_left, bisect_right
from collections.abc import Sequence

_EACH = 4
"""So many readings of a column are kept at most."""


def thinned(times: Sequence[int], values: Sequence[float], start: int, end: int, columns: int) -> list[int]:
    """Choose the readings to draw: of each column the first, the lowest, the highest and the last.

    A line through them covers the very pixels that a line through all readings covers (M4: Jugel, Jerzak, Hackenbroich
    and Markl, "M4: A Visualization-Oriented Time Series Data Aggregation", Proc. VLDB 7(10), 2014, from memory). The
    neighbours on both sides of the window are kept as well, so that the line runs to its edges.

    Args:
        times: in order, in any whole unit.
        values: as many; a slice of them must be quick, as of an `array`.
        start: the first time of the window.
        end: the last time of it; above `start`.
        columns: pixels across; at least 1.

    Returns:
        Indexes, in order: at most four a column, and two.
    """
    first, last = bisect_left(times, start), bisect_right(times, end)
    before = [first - 1] if first > 0 else []
    after = [last] if last < len(times) else []
    if last - first <= _EACH * columns:
        return [*before, *range(first, last), *after]
    kept, at = before, first
    for column in range(1, columns + 1):
        border = start + (end - start) * column // columns
        to = bisect_left(times, border, at, last) if column < columns else last
        if at < to:
            kept += _telling(values, at, to)
        at = to
    return kept + after


def one_a_column(times: Sequence[int], start: int, end: int, columns: int) -> list[int]:
    """Choose the first of those times in each column of a window.

    Args:
        times: in order.
        start: the first time of the window.
        end: the last time of it; above `start`.
        columns: pixels across; at least 1.
    """
    at, last = bisect_left(times, start), bisect_right(times, end)
    kept = []
    while at < last:
        kept.append(times[at])
        column = (times[at] - start) * columns // (end - start)
        at = bisect_left(times, start - (start - end) * (column + 1) // columns, at + 1, last)
    return kept


def _telling(values: Sequence[float], at: int, to: int) -> list[int]:
    part = values[at:to]
    return sorted({at, at + part.index(min(part)), at + part.index(max(part)), to - 1})
