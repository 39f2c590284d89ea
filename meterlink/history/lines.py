"""A lift's history as the JSON object that `history --json` prints: a public contract. Pure."""

from meterlink.history.figure import Figure, Meter
from meterlink.history.series import LEVEL, History, Point, Series, moment
from meterlink.history.trend import COVERAGE, POWER
from meterlink.history.visit import Visit
from meterlink.outcome import Json, VerdictOutcome
from meterlink.reading import plain
from meterlink.record.words import rfc3339

FOREVER = 30.0
"""Years beyond which no date is foretold: nothing of a lift lasts as long."""


def history_json(history: History) -> Json:
    """Write a history. Times are RFC 3339 in UTC, uncertainties standard ones where nothing else is said."""
    return {
        "lift": history.lift,
        "jobs": [_job(visit) for visit in history.visits],
        "slopes": history.looked_at,
        "method": {
            "fit": "generalised least squares over the stated uncertainties, excess scatter by Paule and Mandel",
            "test": "Student's t, degrees_of_freedom as stated with each slope",
            "correction": "Holm, for all slopes of this history",
            "level": LEVEL,
            "coverage": COVERAGE,
            "power": POWER,
        },
        "series": [_series(history, series) for series in history.series],
    }


def reached_at(series: Series) -> tuple[int, int, int] | None:
    """When the limit is reached, earliest and latest, in nanoseconds since 1970; None where no date can be told."""
    crossing = series.crossing
    if crossing is None or crossing.at > FOREVER:
        return None
    ends = (max(crossing.early, 0.0), crossing.at, min(crossing.late, 2 * FOREVER))
    early, at, late = (moment(series, years) for years in ends)
    return at, early, late


def _job(visit: Visit) -> Json:
    job, summary = visit.job, visit.summary
    return {
        "job": job.id,
        "started": rfc3339(job.started_utc_ns),
        "lift": job.lift,
        "operator": job.operator,
        "procedure": job.procedure,
        "revision": job.revision,
        "state": summary.state.value,
        "passed": summary.count(VerdictOutcome.PASS),
        "failed": summary.count(VerdictOutcome.FAIL),
        "unclear": summary.count(VerdictOutcome.UNCLEAR),
        "intact": visit.standing.intact,
        "sealed": visit.standing.sealed,
        "reasons": list(visit.standing.troubles),
        "meters": [_meter(meter) for meter in visit.meters],
        "not_comparable": visit.trouble,
    }


def _meter(meter: Meter) -> Json:
    return {
        "instrument": meter.name,
        "sheet": meter.sheet,
        "calibrated": meter.calibrated,
        "certificate": meter.certificate,
        "calibration": meter.calibration,
    }


def _series(history: History, series: Series) -> Json:
    key = series.key
    changed = [
        {"job": history.visits[visit].job.id, "from": old, "to": new} for visit, old, new in series.limits_changed
    ]
    return {
        "what": key.what.value,
        "test_points": list(key.points),
        "reference": key.reference,
        "situation": key.situation,
        "kind": key.kind or None,
        "function": key.function,
        "unit": key.unit,
        "points": [_point(history, point) for point in series.points],
        "limits_changed": changed,
        "difference": _difference(series),
        **_slope(history, series),
    }


def _point(history: History, point: Point) -> Json:
    visit, figure = history.visits[point.visit], point.figure
    return {
        "job": visit.job.id,
        "started": rfc3339(point.utc_ns),
        "step": figure.step,
        "value": "OL" if figure.value is None else plain(figure.value),
        "uncertainty": figure.uncertainty,
        "uncertainty_own": figure.own,
        "uncertainty_meter": None if figure.own is None else figure.shared,
        "meter": _meter_name(figure),
        "verdict": figure.verdict,
        "limits": figure.limits,
        "margin": None if figure.margin is None else plain(figure.margin),
        "left_out": point.left_out,
    }


def _meter_name(figure: Figure) -> str | None:
    return figure.group.name if isinstance(figure.group, Meter) else None


def _difference(series: Series) -> Json | None:
    """What the last two visits differ by."""
    change = series.change
    return None if change is None else {"value": change[0], "uncertainty": change[1]}


def _slope(history: History, series: Series) -> Json:
    line = series.line
    if line is None:
        return {"slope": None, "slope_unit": f"{series.key.unit}/a", "no_slope": series.without}
    half = line.half_width
    return {
        "slope": line.slope,
        "slope_unit": f"{series.key.unit}/a",
        "slope_uncertainty": line.slope_uncertainty,
        "slope_interval": [line.slope - half, line.slope + half],
        "degrees_of_freedom": line.dof,
        "visits": line.count,
        "since": rfc3339(series.since_ns),
        "excess_scatter": line.excess,
        "p": line.p,
        "p_adjusted": series.p_adjusted,
        "significant": series.significant,
        "visible_slope": line.visible(LEVEL / history.looked_at),
        "limit": None if series.limit is None else plain(series.limit),
        "limit_reached": _reached(series),
    }


def _reached(series: Series) -> Json | None:
    reached = reached_at(series)
    if reached is None:
        return None
    at, early, late = map(rfc3339, reached)
    return {"at": at, "earliest": early, "latest": late}
