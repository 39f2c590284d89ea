"""A lift's history for people, as lines of text. Pure."""

from collections.abc import Iterator, Sequence
from decimal import Decimal

from meterlink.history.figure import Meter, What
from meterlink.history.lines import FOREVER, reached_at
from meterlink.history.series import LEVEL, History, Point, Series
from meterlink.history.trend import COVERAGE, POWER
from meterlink.history.visit import Visit
from meterlink.instrument import Calibration
from meterlink.outcome import VerdictOutcome
from meterlink.reading import plain
from meterlink.record.words import STATES, columns, local_time, rfc3339

SHOWN = 6
"""So many visits stand side by side, the newest; `--json` has them all."""

_TITLES = {
    What.VALUE: "Values, the margin to the nearer limit, and by how much they may be off (k = 2):",
    What.DROP: "Volts lost from one point to the next, or to one that is held against it:",
    What.SETTLE: "Seconds from the touch to the verdict:",
}
_WHATS = {What.VALUE: "value", What.DROP: "lost", What.SETTLE: "settling"}


def history_page(history: History) -> list[str]:
    """Return the page: the visits, what they read side by side, what drifts."""
    return list(_lines(history))


def _lines(history: History) -> Iterator[str]:
    count = len(history.visits)
    yield from columns([(f"Lift {history.lift}: {count} visit{'' if count == 1 else 's'}",)])
    yield ""
    yield from columns([_VISIT_HEAD, *(_visit_row(place, visit) for place, visit in enumerate(history.visits, 1))])
    yield from _doubts(history)
    yield from _meter_changes(history)
    yield ""
    yield from _drift(history)
    for what, title in _TITLES.items():
        series = [each for each in history.series if each.key.what is what]
        if series:
            yield ""
            yield title
            yield from columns(list(_side_by_side(history, series)))
    yield from _limits_changed(history)
    yield ""
    yield "A record of readings, not a permit to use the lift."


_VISIT_HEAD = ("VISIT", "DAY", "JOB", "PROCEDURE", "STATE", "PASSED", "FAILED", "RECORD", "METER", "CALIBRATION")


def _visit_row(place: int, visit: Visit) -> tuple[str, ...]:
    job, summary, meters = visit.job, visit.summary, visit.meters
    return (
        str(place),
        _day(visit),
        job.id,
        f"{job.procedure} rev {job.revision}",
        STATES[summary.state],
        str(summary.count(VerdictOutcome.PASS)),
        str(summary.count(VerdictOutcome.FAIL)),
        f"{'intact' if visit.standing.intact else 'NOT INTACT'}, {'sealed' if visit.standing.sealed else 'NOT SEALED'}",
        ", ".join(_meter(meter) for meter in meters),
        ", ".join(_calibration(meter) for meter in meters),
    )


def _day(visit: Visit) -> str:
    return local_time(visit.job.started_utc_ns, visit.job.utc_offset_s)[:10]


def _meter(meter: Meter) -> str:
    return f"{meter.name or 'not known'} ({meter.sheet})"


def _calibration(meter: Meter) -> str:
    state = meter.calibration
    return f"{meter.calibrated}" if state == Calibration.VALID else f"{state.upper()} {meter.calibrated or ''}".strip()


def _doubts(history: History) -> Iterator[str]:
    """What is included though it is not proven, or could not be."""
    doubtful = [place for place, visit in enumerate(history.visits, 1) if not _proven(visit)]
    if doubtful:
        yield f"Not intact or not sealed, and included: visit {_listed(doubtful)}. Without them: --sealed-only"
    for place, visit in enumerate(history.visits, 1):
        if visit.trouble:
            yield from columns([(f"Visit {place} cannot be compared: {visit.trouble}",)])


def _proven(visit: Visit) -> bool:
    return visit.standing.intact and visit.standing.sealed


def _meter_changes(history: History) -> Iterator[str]:
    """Where it was another meter, or another calibration of it: then both their errors count."""
    before: tuple[Meter, ...] = ()
    for place, visit in enumerate(history.visits, 1):
        if before and visit.meters and visit.meters != before:
            yield f"From visit {place} on another meter or calibration: what both may be off counts in slopes over it."
        before = visit.meters or before
    if any(meter.name is None for visit in history.visits for meter in visit.meters):
        yield "A meter that is not known counts as another one each time: register it (steadypoint register)."


def _side_by_side(history: History, series: Sequence[Series]) -> Iterator[tuple[str, ...]]:
    places = range(len(history.visits))[-SHOWN:]
    yield ("POINT", "", *(f"{place + 1}: {_day(history.visits[place])}" for place in places))
    for each in series:
        found = {point.visit: point for point in each.points}
        points = [found.get(place) for place in places]
        yield (each.key.name, _told(each), *(_value(point) for point in points))
        if each.key.what is What.VALUE:
            yield ("", "margin", *(_margin(point) for point in points))
        if each.key.what is not What.SETTLE:
            yield ("", "±", *(_off(point) for point in points))


def _told(series: Series) -> str:
    key = series.key
    nth = f" {key.nth + 1}" if key.nth else ""
    return f"{key.kind or key.function}{nth}, {key.situation}"


def _value(point: Point | None) -> str:
    if point is None:
        return ""
    figure = point.figure
    value = "OL" if figure.value is None else f"{plain(figure.value)} {figure.key.unit}"
    verdict = figure.verdict or ""
    told = f"{value} {verdict if verdict == VerdictOutcome.PASS else verdict.upper()}".rstrip()
    return f"{told} (mended)" if figure.mended and figure.verdict else told


def _margin(point: Point | None) -> str:
    return (
        "" if point is None or point.figure.margin is None else f"{plain(point.figure.margin)} {point.figure.key.unit}"
    )


def _off(point: Point | None) -> str:
    if point is None or point.figure.uncertainty is None:
        return ""
    return f"{_digits(2 * point.figure.uncertainty)} {point.figure.key.unit}"


def _limits_changed(history: History) -> Iterator[str]:
    """Where a procedure had other limits than at the visit before."""
    rows = [
        (f"  {series.key.name} at visit {visit + 1}: {old or 'none'}, then {new or 'none'}",)
        for series in history.series
        for visit, old, new in series.limits_changed
    ]
    if rows:
        yield ""
        yield "Limits that changed:"
        yield from columns(rows)


def _drift(history: History) -> Iterator[str]:
    sloped = sorted((each for each in history.series if each.line), key=lambda each: each.p_adjusted or 0.0)
    if not sloped:
        yield "Drift: no slope from fewer than 3 visits on different days. Since the last visit (k = 2):"
        rows = [row for series in history.series if (row := _difference_row(series))]
        yield from columns(rows) if rows else ["  nothing to compare yet"]
        return
    count = history.looked_at
    yield (
        f"Drift: {count} slopes looked at. P is corrected for that many (Holm): where nothing drifts, "
        f"anything is called significant {LEVEL:.0%} of the time at most."
    )
    level = LEVEL / count
    yield from columns([_DRIFT_HEAD, *(_drift_row(series, level) for series in sloped)])
    yield (f"VISITS: from how many. ±: {COVERAGE:.0%} (Student's t). Would have been seen: {POWER:.0%} of the time.")


_DRIFT_HEAD = ("WHAT", "POINT", "SITUATION", "VISITS", "A YEAR", "±", "P", "")


def _drift_row(series: Series, level: float) -> tuple[str, ...]:
    line, key = series.line, series.key
    assert line is not None  # noqa: S101 - the caller chose those that have one
    half, visible = _digits(line.half_width), f"{_digits(line.visible(level))} {key.unit}"
    return (
        _WHATS[key.what],
        key.name,
        key.situation,
        str(line.count),
        f"{_like(line.slope, half)} {key.unit}",
        f"{half} {key.unit}",
        _probability(series.p_adjusted or 0.0),
        _outlook(series) if series.significant else f"no significant change; {visible} would have been seen",
    )


def _outlook(series: Series) -> str:
    """What a significant slope leads to."""
    reached = reached_at(series)
    if reached is not None:
        at, early, late = (rfc3339(each)[:7] for each in reached)
        return f"DRIFTS: {_limit(series)} is reached about {at}, between {early} and {late}"
    if series.limit is None:
        return "DRIFTS, towards no limit"
    return f"DRIFTS: {_limit(series)} is not reached within {FOREVER:.0f} years"


def _limit(series: Series) -> str:
    last = series.used[-1].figure
    if series.key.what is What.DROP:
        return f"limit of {last.limits}"
    return f"limit {plain(series.limit or Decimal(0))} {series.key.unit}"


def _difference_row(series: Series) -> tuple[str, ...] | None:
    change = series.change
    if change is None:
        return None
    off = _digits(2 * change[1])
    unit = series.key.unit
    return (f"  {_WHATS[series.key.what]}", series.key.name, f"{_like(change[0], off)} {unit}", f"± {off} {unit}")


def _digits(value: float) -> str:
    """Two significant digits, never as a power of ten."""
    return plain(Decimal(f"{value:.1e}"))


def _like(value: float, uncertainty: str) -> str:
    """With as many decimals as its uncertainty, and its sign."""
    decimals = len(uncertainty.partition(".")[2])
    return f"{value:+.{decimals}f}"


def _probability(p: float) -> str:
    return f"{p:.3f}" if p >= 0.001 else "under 0.001"


def _listed(places: Sequence[int]) -> str:
    return ", ".join(map(str, places))
