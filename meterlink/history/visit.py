"""One job as a visit: its figures, worked out from its stored events alone. Pure."""

from collections import Counter
from collections.abc import Hashable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from itertools import pairwise
from math import sqrt
from statistics import median

from meterlink.circuit.parts import REST
from meterlink.errors import RecordError
from meterlink.history.figure import Figure, Key, Meter, What
from meterlink.instrument import Instrument
from meterlink.judging.budget import Budget, Shown, budget_of
from meterlink.judging.difference import difference
from meterlink.judging.uncertainty import combined
from meterlink.limits import Limits
from meterlink.outcome import Json, Measured, VerdictOutcome
from meterlink.procedure.model import AgreeStep, IntervalStep, MeasuredStep, Procedure, ReadingStep, partner_of
from meterlink.procedure.relative import relative_limits
from meterlink.reading import NS_PER_S, Function
from meterlink.record.codec import from_event
from meterlink.record.entry import Event, Kind
from meterlink.record.store import Job
from meterlink.record.summary import SUMMARY_KINDS, Judged, Summary, summarise
from meterlink.replay import kept_with

VISIT_KINDS = (Kind.START, *SUMMARY_KINDS)
"""The kinds of event that `visit_of` looks at."""

_RESOLVED = ("resolution", "scatter")
"""Lines of a budget that another visit does not share; all others are the meter's own."""


@dataclass(frozen=True, slots=True)
class Standing:
    """What chain and seal prove of a job."""

    intact: bool
    sealed: bool
    troubles: tuple[str, ...] = ()
    """What speaks against it, a sentence each."""


@dataclass(frozen=True, slots=True)
class Visit:
    """One visit to the lift."""

    job: Job
    standing: Standing
    summary: Summary
    meters: tuple[Meter, ...]
    """In the order in which they were stated."""
    figures: tuple[Figure, ...]
    trouble: str | None = None
    """Why nothing of it can be compared; None where it can."""


@dataclass(frozen=True, slots=True)
class _Taken:
    """One step's verdict that counts, with all that it rests on."""

    step: MeasuredStep
    judged: Judged
    value: Decimal | None
    limits: Limits | None
    budget: Budget | None
    figure: Figure


def _update_interval(readings: Iterable[Event]) -> float | None:
    """From one update of the display to the next, in seconds; None where there are too few readings to tell."""
    times = (event.at.monotonic_ns for event in readings)
    gaps = [later - earlier for earlier, later in pairwise(times) if later > earlier]
    return median(gaps) / NS_PER_S if gaps else None


def visit_of(job: Job, events: Iterable[Event], readings: Iterable[Event], standing: Standing) -> Visit:
    """Work out a visit; of a log that cannot be read, that it cannot.

    Args:
        job: its own line.
        events: those of `VISIT_KINDS`, in order.
        readings: some readings in a row, which tell how often the display is updated.
        standing: what is proven of it.
    """
    summary = Summary()
    try:
        kept = list(events)
        summary = summarise(kept)
        start = next((event for event in kept if event.kind is Kind.START), None)
        if start is None:
            raise RecordError(f"job {job.id}: its log has no start")
        procedure = kept_with(job, start).procedure
        stated = [(event.seq, _instrument(event)) for event in kept if event.kind is Kind.INSTRUMENT]
        taken = list(_taken(job, procedure, summary, stated))
        figures = [each.figure for each in taken]
        figures += _drops(procedure, taken)
        figures += _settling(job, summary, taken, _update_interval(readings))
    except (RecordError, KeyError, TypeError, ValueError, ArithmeticError) as error:
        return Visit(job, standing, summary, (), (), str(error))
    meters = tuple(dict.fromkeys(Meter.of(instrument) for _, instrument in stated))
    return Visit(job, standing, summary, meters, tuple(figures))


def _instrument(event: Event) -> Instrument:
    found = from_event(event)
    if not isinstance(found, Instrument):
        raise RecordError(f"event {event.seq} does not say which meter it was")
    return found


def keys_of(procedure: Procedure) -> dict[str, Key]:
    """What makes each step's value comparable with another visit's, by step id."""
    counted: Counter[Key] = Counter()
    found = {}
    for step in procedure.steps:
        if isinstance(step, ReadingStep | AgreeStep | IntervalStep):
            function = step.measure[0]
            unit = "s" if isinstance(step, IntervalStep) else function.unit
            situation = step.situation or procedure.situation or REST
            key = Key(What.VALUE, (step.point,), step.reference, situation, step.kind, function.value, unit)
            found[step.id] = replace(key, nth=counted[key])
            counted[key] += 1
    return found


def drop_key(one: Key, other: Key) -> Key:
    """What makes the loss from one point to another comparable."""
    return replace(other, what=What.DROP, points=(*one.points, *other.points), kind="", nth=0)


def _taken(
    job: Job, procedure: Procedure, summary: Summary, stated: Sequence[tuple[int, Instrument]]
) -> Iterator[_Taken]:
    """What each step came to, in the procedure's order."""
    keys = keys_of(procedure)
    chains: set[tuple[str, str]] = set()
    for step in procedure.steps:
        judged = summary.steps.get(step.id)
        if not isinstance(step, ReadingStep | AgreeStep | IntervalStep) or judged is None or judged.reopened:
            continue
        body = judged.last
        if body["value"] is None or judged.outcome is VerdictOutcome.NOT_APPLICABLE:
            continue
        value, unit = None if body["value"] == "OL" else Decimal(str(body["value"])), str(body["unit"])
        key = keys[step.id]
        if unit != key.unit and not isinstance(step, IntervalStep):  # of several functions, another than the first
            function = _function(step, unit)
            key = replace(key, function=function.value, unit=unit)
        function, chain = Function(key.function), (key.reference, key.situation)
        chained = function is Function.DC_VOLTAGE and not isinstance(step, IntervalStep)
        first = chain not in chains
        if chained:
            chains.add(chain)
        limits = _limits(step, procedure, summary)
        instrument = next((each for seq, each in reversed(stated) if seq < judged.verdicts[-1].seq), None)
        budget = _budget(value, unit, function, judged.verdicts[-1], instrument)
        own, shared = _parts(budget, body)
        figure = Figure(
            key,
            step.id,
            value,
            own,
            shared,
            group=_group(job, instrument),
            same=None,
            verdict=judged.outcome.value,
            limits=None if body["limits"] is None else str(body["limits"]),
            low=limits.low if limits else None,
            high=limits.high if limits else None,
            margin=_margin(limits, value),
            mended=_mended(judged),
            looked_at=not chained or first,
        )
        yield _Taken(step, judged, value, limits, budget, figure)


def _function(step: MeasuredStep, unit: str) -> Function:
    """What the dial stood on: of the functions that the step allows, the first with this unit."""
    return next((each for each in step.measure if each.unit == unit), step.measure[0])


def _limits(step: MeasuredStep, procedure: Procedure, summary: Summary) -> Limits | None:
    """The limits of a value, worked out where they refer to another reading."""
    if not isinstance(step, ReadingStep | AgreeStep):
        return None
    partner = partner_of(step, procedure.steps)
    if partner is None:
        return step.limits if isinstance(step, ReadingStep) else None
    judged = summary.steps.get(partner.id)
    return None if judged is None else relative_limits(step, _measured(judged.last))


def _measured(body: Json) -> Measured | None:
    if body["value"] is None:
        return None
    return Measured(None if body["value"] == "OL" else Decimal(str(body["value"])), str(body["unit"]))


def _margin(limits: Limits | None, value: Decimal | None) -> Decimal | None:
    if limits is None or value is None or (margin := limits.margin(value)) is None:
        return None
    return margin if limits.accept(value) else -margin


def _budget(
    value: Decimal | None, unit: str, function: Function, verdict: Event, instrument: Instrument | None
) -> Budget | None:
    """The budget of a value by itself, but for its scatter; None where nothing is known of the meter."""
    if value is None or instrument is None or function.unit != unit:
        return None
    exponent = value.as_tuple().exponent
    resolution = Decimal(1).scaleb(exponent if isinstance(exponent, int) else 0)
    budget = budget_of(Shown(value, unit, function, resolution, Decimal(0), 1, verdict.at), instrument)
    return budget if budget.range else None


def _parts(budget: Budget | None, body: Json) -> tuple[float | None, float]:
    """What a value shares with no other visit, and what it shares with those with the same meter."""
    if budget is None:
        whole = body.get("standard_uncertainty")
        return (float(whole) if isinstance(whole, int | float) and whole > 0 else None), 0.0
    own, shared = _split(budget)
    return sqrt(own**2 + _scatter(body) ** 2), shared


def _split(budget: Budget) -> tuple[float, float]:
    own = combined(each for each in budget.components if each.name.startswith(_RESOLVED))
    shared = combined(each for each in budget.components if not each.name.startswith(_RESOLVED))
    return float(own), float(shared)


def _scatter(body: Json) -> float:
    """What the readings of a touch scattered by, as its verdict has it: with those of the other, where it has one."""
    lines = body.get("budget")
    found = [
        float(line["standard_uncertainty"])
        for line in (lines if isinstance(lines, list) else [])
        if str(line["name"]).startswith("scatter")
    ]
    return max(found, default=0.0)


def _group(job: Job, instrument: Instrument | None) -> Hashable:
    """The same for visits with the same meter and calibration; a meter that is not known is another one each time."""
    meter = Meter.of(instrument) if instrument else None
    return meter if meter is not None and meter.name else job.id


def _mended(judged: Judged) -> bool:
    outcomes = [event.body["outcome"] for event in judged.verdicts]
    return outcomes[-1] == VerdictOutcome.PASS and VerdictOutcome.FAIL in outcomes


def _drops(procedure: Procedure, taken: Sequence[_Taken]) -> Iterator[Figure]:
    """Volts lost from each point of a chain to the next, and to each that is held against an earlier one."""
    by_id = {each.step.id: each for each in taken}
    pairs: dict[tuple[str, str], None] = {}
    last: dict[tuple[str, str], str] = {}
    for step in procedure.steps:
        if not isinstance(step, ReadingStep | AgreeStep) or Function.DC_VOLTAGE not in step.measure:
            continue
        chain = (step.reference, step.situation or procedure.situation or REST)
        if chain in last:
            pairs[last[chain], step.id] = None
        last[chain] = step.id
        if (partner := partner_of(step, procedure.steps)) is not None:
            pairs[partner.id, step.id] = None
    for before, behind in pairs:
        one, other = by_id.get(before), by_id.get(behind)
        if one is not None and other is not None and _comparable(one, other):
            yield _drop(one, other, taken)


def _comparable(one: _Taken, other: _Taken) -> bool:
    """Whether both read volts of one chain; a point that is dead says nothing of what is lost on the way there."""
    keys = one.figure.key, other.figure.key
    dead = any(each.judged.last["confirmed"] and each.judged.outcome is VerdictOutcome.FAIL for each in (one, other))
    return (
        all(key.function == Function.DC_VOLTAGE for key in keys)
        and (keys[0].reference, keys[0].situation) == (keys[1].reference, keys[1].situation)
        and one.value is not None
        and other.value is not None
        and not dead
    )


def _drop(one: _Taken, other: _Taken, taken: Sequence[_Taken]) -> Figure:
    behind = other.figure
    assert one.value is not None  # noqa: S101 - see `_comparable`
    assert other.value is not None  # noqa: S101
    lost = one.value - other.value
    own, shared = None, 0.0
    if one.budget and other.budget:
        own, shared = _split(difference(other.budget, one.budget))
        own = sqrt(own**2 + _scatter(one.judged.last) ** 2 + _scatter(other.judged.last) ** 2)
    room, first = _room(one, other, taken)
    return replace(
        behind,
        key=drop_key(one.figure.key, behind.key),
        value=lost,
        own=own,
        shared=shared,
        verdict=None,
        limits=None if first is None else f"{first.step.point}: {first.figure.limits}",
        low=None,
        high=None if room is None else lost + room,
        margin=room,
        looked_at=True,
    )


def _room(one: _Taken, other: _Taken, taken: Sequence[_Taken]) -> tuple[Decimal | None, _Taken | None]:
    """By how much the loss may grow until a step fails, and which step that is: every point behind it sinks alike."""
    chain = [
        each
        for each in taken
        if (each.figure.key.reference, each.figure.key.situation, each.figure.key.function)
        == (other.figure.key.reference, other.figure.key.situation, other.figure.key.function)
    ]
    behind = chain[chain.index(other) :]
    rooms = [
        (each.value - each.limits.low, each)
        for each in behind
        if each.value is not None
        and each.limits is not None
        and each.limits.low is not None
        and not (isinstance(each.step, AgreeStep) and each.step.with_ in {other.step.id for other in behind})
    ]
    return min(rooms, key=lambda pair: pair[0], default=(None, None))


def _settling(job: Job, summary: Summary, taken: Sequence[_Taken], update_s: float | None) -> Iterator[Figure]:
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
