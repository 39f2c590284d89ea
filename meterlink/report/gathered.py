"""One way through a job's log: what it came to, and the readings of each touch. Pure, and flat in memory."""

from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from decimal import Decimal, InvalidOperation
from itertools import pairwise
from statistics import median

from meterlink.reading import NS_PER_S
from meterlink.record.entry import Event, Kind
from meterlink.record.summary import Summary, summarise
from meterlink.thin import one_a_column, thinned

MOST_READINGS = 50_000
"""Of one touch: of a longer one, the plot shows the last ones."""
_COLUMNS = 120
"""Of a plot."""

_TELLING = ("prove-again", "probe", "look", "ask")
"""The cues that say where a job stands."""

Point = tuple[float, float | None]
"""Seconds since the start of the job, and the value; None for OL."""


@dataclass(frozen=True, slots=True)
class TouchSeen:
    """A touch with what the meter showed meanwhile."""

    event: Event
    points: tuple[Point, ...]
    """In order, thinned out to what a plot can show."""
    readings: int
    """How many there were."""
    unit: str
    interval_s: float | None
    """The middle time between two readings."""
    longest_s: float | None
    """The longest."""
    verdict: Event | None
    """The verdict that was given during it."""


@dataclass(slots=True)
class Gathered:
    """What a report is made of."""

    summary: Summary = field(default_factory=Summary)
    start: Event | None = None
    """The cautions that were acknowledged, and what the job rests on."""
    touches: list[TouchSeen] = field(default_factory=list)
    news: list[Event] = field(default_factory=list)
    """Breaks in the stream of readings, and what link and meter had to say."""
    reopened: list[Event] = field(default_factory=list)
    asked: dict[str, str] = field(default_factory=dict)
    """By the id of its step: what was asked for with the latest `probe`."""
    readings: int = 0
    events: int = 0
    last: Event | None = None


def gather(events: Iterable[Event]) -> Gathered:
    """Go through a log once."""
    gathered = Gathered()
    told: list[Event] = []
    recent: deque[Event] = deque(maxlen=MOST_READINGS)
    for event in events:
        gathered.events += 1
        gathered.last = event
        if event.kind is Kind.READING:
            gathered.readings += 1
            recent.append(event)
            continue
        if event.kind is Kind.CUE and event.body["code"] not in _TELLING:
            continue
        told.append(event)
        if event.kind is Kind.CUE and event.body["code"] == "probe":
            gathered.asked[str(event.body["step"])] = str(event.body["text"])
        if event.kind is Kind.TOUCH:
            gathered.touches.append(_seen(event, recent))
        elif event.kind is Kind.START and gathered.start is None:
            gathered.start = event
        elif event.kind is Kind.GAP or (event.kind is Kind.NOTE and event.body["about"] != "remark"):
            gathered.news.append(event)
        elif event.kind is Kind.REOPENED:
            gathered.reopened.append(event)
    gathered.summary = summarise(told)
    gathered.touches = [_judged(touch, gathered.summary) for touch in gathered.touches]
    return gathered


def _seen(touch: Event, recent: deque[Event]) -> TouchSeen:
    """Take the readings of a touch out of the recent ones, and forget what was before its end."""
    start, end = (round(float(touch.body[name]) * NS_PER_S) for name in ("from", "to"))  # type: ignore[arg-type] # legible
    during = []
    while recent and recent[0].at.monotonic_ns <= end:
        reading = recent.popleft()
        if reading.at.monotonic_ns >= start and reading.body["display"]:
            during.append(reading)
    times = [reading.at.monotonic_ns for reading in during]
    steps = [(after - before) / NS_PER_S for before, after in pairwise(times) if after > before]
    return TouchSeen(
        touch,
        _thinned([_point(reading) for reading in during]) if during else (),
        len(during),
        str(during[-1].body["unit"]) if during else "",
        median(steps) if steps else None,
        max(steps, default=None),
        None,
    )


def _point(reading: Event) -> Point:
    display, scale = str(reading.body["display"]), int(str(reading.body["scale"]))
    at = reading.at.monotonic_ns / NS_PER_S
    try:
        return at, None if display.endswith("OL") else float(Decimal(display).scaleb(scale))
    except InvalidOperation:  # a sign or a point alone
        return at, None


def _thinned(points: list[Point]) -> tuple[Point, ...]:
    """Keep, of each column of the plot, what shows: the first, the lowest, the highest and the last, and one OL."""
    numbers = [(round(at * NS_PER_S), value) for at, value in points if value is not None]
    overloads = [round(at * NS_PER_S) for at, value in points if value is None]
    start, end = round(points[0][0] * NS_PER_S), round(points[-1][0] * NS_PER_S) + 1
    times, values = [at for at, _ in numbers], [value for _, value in numbers]
    kept: list[tuple[int, float | None]] = [numbers[each] for each in thinned(times, values, start, end, _COLUMNS)]
    kept += [(at, None) for at in one_a_column(overloads, start, end, _COLUMNS)]
    return tuple((at / NS_PER_S, value) for at, value in sorted(kept, key=lambda point: point[0]))


def _judged(touch: TouchSeen, summary: Summary) -> TouchSeen:
    body = touch.event.body
    judged = summary.steps.get(str(body["step"]))
    during = [each for each in judged.verdicts if body["from"] <= each.body["t"] <= body["to"]] if judged else []  # type: ignore[operator] # legible
    return replace(touch, verdict=during[-1]) if during else touch
