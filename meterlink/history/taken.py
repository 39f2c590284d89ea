"""The values of one visit: what each step came to that counts, and all that it rests on. Pure."""

from collections import Counter
from collections.abc import Hashable, Iterator, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from math import sqrt

from meterlink.circuit.parts import REST
from meterlink.history.figure import Figure, Key, Meter, What
from meterlink.instrument import Instrument
from meterlink.judging.budget import Budget, Shown, budget_of
from meterlink.judging.uncertainty import combined
from meterlink.limits import Limits
from meterlink.outcome import Json, Measured, VerdictOutcome
from meterlink.procedure.model import AgreeStep, IntervalStep, MeasuredStep, Procedure, ReadingStep, partner_of
from meterlink.procedure.relative import relative_limits
from meterlink.reading import Function
from meterlink.record.entry import Event
from meterlink.record.store import Job
from meterlink.record.summary import Judged, Summary

_RESOLVED = ("resolution", "scatter")
"""Lines of a budget that another visit does not share; all others are the meter's own."""


@dataclass(frozen=True, slots=True)
class Taken:
    """One step's verdict that counts, with all that it rests on."""

    step: MeasuredStep
    judged: Judged
    value: Decimal | None
    limits: Limits | None
    budget: Budget | None
    figure: Figure


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


def all_taken(
    job: Job, procedure: Procedure, summary: Summary, stated: Sequence[tuple[int, Instrument]]
) -> Iterator[Taken]:
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
            written=_written(step),
            low=limits.low if limits else None,
            high=limits.high if limits else None,
            margin=_margin(limits, value),
            mended=_mended(judged),
            looked_at=not chained or first,
        )
        yield Taken(step, judged, value, limits, budget, figure)


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


def _written(step: MeasuredStep) -> str | None:
    if isinstance(step, AgreeStep):
        return f"within {step.within.text} of {step.with_}"
    return step.limits.text if isinstance(step, ReadingStep | IntervalStep) else None


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
    own, shared = split(budget)
    return sqrt(own**2 + scatter(body) ** 2), shared


def split(budget: Budget) -> tuple[float, float]:
    """The standard uncertainty that no other visit shares, and the one that those with the same meter do."""
    own = combined(each for each in budget.components if each.name.startswith(_RESOLVED))
    shared = combined(each for each in budget.components if not each.name.startswith(_RESOLVED))
    return float(own), float(shared)


def scatter(body: Json) -> float:
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
