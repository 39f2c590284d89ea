"""Visits side by side: figure by figure, and how each drifts. Pure."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from itertools import pairwise
from math import sqrt

from meterlink.history.figure import Figure, Key, What
from meterlink.history.trend import FEWEST, Crossing, Line, Sample, fit, holm
from meterlink.history.visit import Visit
from meterlink.reading import NS_PER_S

LEVEL = 0.05
"""The chance that anything at all is called significant in the history of a sound lift."""

_S_PER_YEAR = 31_557_600
"""365.25 days (UCUM's `a`)."""
_DAY_NS = 86_400 * NS_PER_S


@dataclass(frozen=True, slots=True)
class Point:
    """One figure at its visit."""

    visit: int
    """Its index among the visits."""
    utc_ns: int
    """When that began."""
    figure: Figure
    left_out: str | None = None
    """Why the slope does not go by it; None where it does."""


@dataclass(frozen=True, slots=True)
class Series:
    """What can be compared from visit to visit."""

    key: Key
    points: tuple[Point, ...]
    line: Line | None
    """None where there is no slope; `without` says why."""
    without: str | None = None
    p_adjusted: float | None = None
    """Of the line's slope, by Holm's method, for as many as were looked at."""

    @property
    def used(self) -> tuple[Point, ...]:
        """The points that the slope goes by."""
        return tuple(point for point in self.points if point.left_out is None)

    @property
    def significant(self) -> bool:
        """Whether it drifts."""
        return self.p_adjusted is not None and self.p_adjusted < LEVEL

    @property
    def since_ns(self) -> int:
        """The time that the line counts its years from."""
        return self.used[0].utc_ns

    @property
    def limit(self) -> Decimal | None:
        """The limit that it drifts towards, as it was at the last visit; None where there is none that way."""
        last = self.used[-1].figure
        if self.line is None:
            return None
        return last.high if self.line.slope > 0 else last.low

    @property
    def crossing(self) -> Crossing | None:
        """When that limit is reached at this slope, in years after `since_ns`; None unless it drifts there."""
        if self.line is None or self.limit is None or not self.significant:
            return None
        return self.line.reaches(float(self.limit))

    @property
    def change(self) -> tuple[float, float] | None:
        """The difference of the last two points used, and its standard uncertainty; None without two.

        None of settling times: how those scatter from visit to visit, no single one tells.
        """
        if len(self.used) < 2 or self.key.what is What.SETTLE:
            return None
        before, after = (point.figure for point in self.used[-2:])
        if before.value is None or after.value is None or before.own is None or after.own is None:
            return None
        same = before.group == after.group
        meters = (after.shared - before.shared) ** 2 if same else after.shared**2 + before.shared**2
        return float(after.value - before.value), sqrt(before.own**2 + after.own**2 + meters)

    @property
    def limits_changed(self) -> list[tuple[int, str | None, str | None]]:
        """At which visits the procedure had other limits than before, with both."""
        written = [(point.visit, point.figure.written) for point in self.points]
        return [(visit, old, new) for (_, old), (visit, new) in pairwise(written) if old != new]


@dataclass(frozen=True, slots=True)
class History:
    """A lift's visits, and what can be compared of them."""

    lift: str
    visits: tuple[Visit, ...]
    """Oldest first."""
    series: tuple[Series, ...]

    @property
    def looked_at(self) -> int:
        """For how many slopes the p-values are corrected."""
        return sum(series.line is not None for series in self.series)


def history(lift: str, visits: Sequence[Visit]) -> History:
    """Put visits side by side.

    Args:
        lift: the installation's tag.
        visits: oldest first.
    """
    series = [_drift(key, points) for key, points in _gathered(visits).items()]
    adjusted = iter(holm([each.line.p for each in series if each.line]))
    corrected = [replace(each, p_adjusted=next(adjusted)) if each.line else each for each in series]
    return History(lift, tuple(visits), tuple(corrected))


def _gathered(visits: Sequence[Visit]) -> dict[Key, list[Point]]:
    """Every figure's points, oldest first; figures in the order of the visits that had them first."""
    found: dict[Key, list[Point]] = {}
    for index, visit in enumerate(visits):
        for figure in visit.figures:
            found.setdefault(figure.key, []).append(Point(index, visit.job.started_utc_ns, figure))
    return found


def _drift(key: Key, points: Sequence[Point]) -> Series:
    marked = tuple(_marked(points))
    usable = [point for point in marked if point.left_out is None]
    if not usable[-1:] or not usable[-1].figure.looked_at:
        told = "told by the bank and the drops before it" if usable else "no value to go by"
        return Series(key, marked, None, told)
    days = len({point.utc_ns // _DAY_NS for point in usable})
    if days < FEWEST:
        visits = f"{days} visit{'' if days == 1 else 's'} on different days"
        return Series(key, marked, None, f"{visits}: no slope from fewer than {FEWEST}")
    since = usable[0].utc_ns
    return Series(key, marked, fit([_sample(point, since) for point in usable]))


def _marked(points: Sequence[Point]) -> Iterator[Point]:
    """Mark what the slope cannot go by: no number, no uncertainty, or from before something else was measured."""
    mended = max((place for place, point in enumerate(points) if point.figure.mended), default=0)
    same = points[-1].figure.same
    for place, point in enumerate(points):
        figure = point.figure
        if figure.value is None:
            yield replace(point, left_out="OL")
        elif not figure.own:
            yield replace(point, left_out="its uncertainty is not known")
        elif place < mended:
            yield replace(point, left_out="before a repair")
        elif figure.same != same:
            yield replace(point, left_out="with another meter or software")
        else:
            yield point


def _sample(point: Point, since_ns: int) -> Sample:
    figure = point.figure
    return Sample(
        x=(point.utc_ns - since_ns) / NS_PER_S / _S_PER_YEAR,
        y=float(figure.value or 0),
        own=figure.own or 0.0,
        shared=figure.shared,
        group=figure.group,
    )


def moment(series: Series, years: float) -> int:
    """The wall clock time so many years after a series began, in nanoseconds since 1970-01-01T00:00:00Z."""
    return series.since_ns + round(years * _S_PER_YEAR) * NS_PER_S
