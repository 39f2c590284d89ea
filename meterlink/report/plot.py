"""A touch as a picture: the band with limits, value and uncertainty, and under it the readings over time. Pure.

One SVG for paper and page: it is drawn in the colour of the text around it, so it prints in black and follows dark and
light. What it shows is said in words too.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from decimal import ROUND_HALF_EVEN, Decimal
from html import escape

from meterlink.band import Band
from meterlink.judging.words import rounded, size
from meterlink.limits import Limits
from meterlink.report.gathered import Point

_WIDE = 260
_LETTERS = 10
"""High, as the widths."""
_LEFT, _RIGHT = 6, 254
_STRIP = 14
"""Where the band lies, from the top."""
_BAND_HIGH = 38
_TRACE_HIGH = 66
_TRACE_LEFT = 46
"""Room for the numbers at the trace's left."""
_FOOT = 14
_DOTS = 40
"""Up to so many readings, each gets a dot."""


@dataclass(frozen=True, slots=True)
class Shown:
    """What stands on the band."""

    limits: Limits
    value: Decimal | None
    """None for OL, or where nothing settled."""
    expanded: Decimal | None
    """The expanded uncertainty; None where none is known."""


def plot(points: Sequence[Point], unit: str, span: tuple[float, float], shown: Shown | None, words: str) -> str:
    """Draw a touch.

    Args:
        points: the readings.
        unit: SenML unit of the readings.
        span: start and end of the touch, in seconds since the start of the job.
        shown: what it was judged by; None where it was judged by nothing.
        words: what it shows, for whoever does not see it.
    """
    band = Band.around(shown.limits) if shown else None
    top = _BAND_HIGH if band else 0
    high = top + ((_TRACE_HIGH + _FOOT) if points else 0)
    drawn = "".join(_band(band, shown)) if band and shown else ""
    if points:
        same = shown is not None and shown.limits.unit == unit
        drawn += "".join(_trace(points, unit, span, shown.limits if shown and same else None, top))
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" class="plot" viewBox="0 0 {_WIDE} {high or 1}" '
        f'width="{_WIDE}" height="{high or 1}" role="img" aria-label="{escape(words)}" fill="none" '
        f'stroke="currentColor" font-family="Libertinus Serif" font-size="{_LETTERS}">{drawn}</svg>'
    )


def _band(band: Band, shown: Shown) -> Iterator[str]:
    """The strip; the span between the limits shaded, limits as bars, the value as a lozenge, whiskers around it."""
    low = _LEFT if band.low is None else _across(band, band.low)
    high = _RIGHT if band.high is None else _across(band, band.high)
    yield f'<path d="M{_LEFT} {_STRIP}H{_RIGHT}" stroke-width="1"/>'
    yield _rect(low, _STRIP - 6, high - low, 12)
    for limit in (band.low, band.high):
        if limit is not None:
            x = _across(band, limit)
            yield f'<path d="M{x} {_STRIP - 9}V{_STRIP + 9}" stroke-width="2.4"/>'
            yield _text(x, _STRIP + 19, "middle", size(limit, shown.limits.unit or ""))
    if shown.value is not None:
        yield from _mark(band, shown.value, shown.expanded, inside=shown.limits.accept(shown.value))


def _mark(band: Band, value: Decimal, expanded: Decimal | None, *, inside: bool) -> Iterator[str]:
    x, beyond = _across(band, value), band.beyond(value)
    if expanded is not None:
        left, right = _across(band, value - expanded), _across(band, value + expanded)
        yield f'<path d="M{left} {_STRIP}H{right}M{left} {_STRIP - 4}V{_STRIP + 4}M{right} {_STRIP - 4}V{_STRIP + 4}" '
        yield 'stroke-width="1.4"/>'
    if beyond:
        back = x - 4 * beyond
        yield f'<path d="M{back} {_STRIP - 6}L{x + 6 * beyond} {_STRIP}L{back} {_STRIP + 6}" stroke-width="2"/>'
        return
    fill = ' fill="currentColor"' if inside else ""
    yield f'<path d="M{x} {_STRIP - 5}l4 5l-4 5l-4 -5z" stroke-width="1.6"{fill}/>'


def _trace(
    points: Sequence[Point], unit: str, span: tuple[float, float], limits: Limits | None, top: int
) -> Iterator[str]:
    """The readings as a line, OL as crosses at the top edge; the span between the limits shaded."""
    low, high = _reach(points, limits)
    start, end = span
    length = end - start or 1.0
    floor, ceiling = top + _TRACE_HIGH - 2, top + 18

    def across(at: float) -> float:
        return round(_TRACE_LEFT + (_RIGHT - _TRACE_LEFT) * min(1.0, max(0.0, (at - start) / length)), 2)

    def up(value: float) -> float:
        return round(floor - (floor - ceiling) * min(1.0, max(0.0, (value - low) / (high - low))), 2)

    if limits is not None:
        lower = low if limits.low is None else float(limits.low)
        upper = high if limits.high is None else float(limits.high)
        yield _rect(_TRACE_LEFT, up(upper), _RIGHT - _TRACE_LEFT, up(lower) - up(upper))
        for limit in (limits.low, limits.high):
            if limit is not None and low <= limit <= high:
                y = up(float(limit))
                yield f'<path d="M{_TRACE_LEFT} {y}H{_RIGHT}" stroke-width="1.2" stroke-dasharray="5 3"/>'
    yield f'<path d="M{_TRACE_LEFT} {ceiling}V{floor}H{_RIGHT}" stroke-width="0.8"/>'
    line, pen = "", "M"
    for at, value in points:
        if value is None:
            x = across(at)
            line += f"M{x - 3} {top + 4}l6 6m-6 0l6 -6"
            pen = "M"
        else:
            line += f"{pen}{across(at)} {up(value)}"
            pen = "L"
    yield f'<path d="{line}" stroke-width="1.3" stroke-linejoin="round" stroke-linecap="round"/>'
    if any(value is not None for _, value in points) or limits is not None:
        yield _text(_TRACE_LEFT - 4, ceiling + 4, "end", _short(high, unit))
        yield _text(_TRACE_LEFT - 4, floor + 2, "end", _short(low, unit))
    if any(value is None for _, value in points):
        yield _text(_TRACE_LEFT - 8, top + 10, "end", "OL")
    if len(points) <= _DOTS:
        dots = "".join(f"M{across(at)} {up(value)}h0" for at, value in points if value is not None)
        yield f'<path d="{dots}" stroke-width="3.4" stroke-linecap="round"/>'
    yield _text(_TRACE_LEFT, floor + _FOOT - 2, "start", "0 s")
    yield _text(_RIGHT, floor + _FOOT - 2, "end", f"{end - start:.1f} s")


def _reach(points: Sequence[Point], limits: Limits | None) -> tuple[float, float]:
    """The values at the trace's lower and upper end."""
    values = [value for _, value in points if value is not None]
    values += [float(limit) for limit in ((limits.low, limits.high) if limits else ()) if limit is not None]
    low, high = min(values, default=0.0), max(values, default=1.0)
    room = (high - low) * 0.1 or abs(high) * 0.01 or 1.0
    return low - room, high + room


def _across(band: Band, value: Decimal) -> float:
    return round(_LEFT + (_RIGHT - _LEFT) * float(band.place(value)), 2)


def _rect(x: float, y: float, wide: float, high: float) -> str:
    place = f'x="{x}" y="{round(y, 2)}" width="{round(wide, 2)}" height="{round(high, 2)}"'
    return f'<rect {place} fill="currentColor" fill-opacity="0.16" stroke="none"/>'


def _text(x: float, y: float, anchor: str, words: str) -> str:
    placed = f'<text x="{x}" y="{y}" text-anchor="{anchor}" fill="currentColor" stroke="none">'
    return f"{placed}{escape(words)}</text>"


def _short(value: float, unit: str) -> str:
    return size(Decimal(rounded(Decimal(str(value)), ROUND_HALF_EVEN, 3)), unit)
