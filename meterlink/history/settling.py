"""How long each value took to stand, at one visit. Pure."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from decimal import Decimal
from itertools import pairwise
from math import sqrt
from statistics import median

from meterlink.history.figure import Figure, Meter, What
from meterlink.history.taken import Taken
from meterlink.outcome import Json
from meterlink.procedure.model import IntervalStep
from meterlink.reading import NS_PER_S
from meterlink.record.entry import Event
from meterlink.record.store import Job
from meterlink.record.summary import Summary


def update_interval(readings: Iterable[Event]) -> float | None:
    """From one update of the display to the next, in seconds; None where there are too few readings to tell."""
    times = (event.at.monotonic_ns for event in readings)
    gaps = [later - earlier for earlier, later in pairwise(times) if later > earlier]
    return median(gaps) / NS_PER_S if gaps else None


def settling_times(job: Job, summary: Summary, taken: Sequence[Taken], update_s: float | None) -> Iterator[Figure]:
    """Seconds from each touch to its verdict; one that a person had to confirm took as long as that."""
    if update_s is None:
        return
    blurred = update_s / sqrt(6)  # two times, each known to one update: rectangular
    for each in taken:
        body = each.judged.last
        touch = _touch_of(summary, body)
        if isinstance(each.step, IntervalStep) or body["confirmed"] or touch is None:
            continue
        group = each.figure.group
        yield replace(
            each.figure,
            key=replace(each.figure.key, what=What.SETTLE, unit="s"),
            value=Decimal(f"{_seconds(body['t']) - _seconds(touch['from']):.2f}"),
            own=blurred,
            shared=0.0,
            same=(group.name if isinstance(group, Meter) else None, job.software),
            verdict=None,
            limits=None,
            written=None,
            low=None,
            high=None,
            margin=None,
            looked_at=True,
        )


def _touch_of(summary: Summary, verdict: Json) -> Json | None:
    """The touch during which a verdict was given."""
    during = [
        touch.body
        for touch in summary.touches
        if touch.body["step"] == verdict["step"]
        and _seconds(touch.body["from"]) <= _seconds(verdict["t"]) <= _seconds(touch.body["to"])
    ]
    return during[-1] if during else None


def _seconds(value: object) -> float:
    if not isinstance(value, int | float):
        raise TypeError(f"seconds expected, found {value!r}")
    return value
