"""The touches of a job as a report shows them, each with its picture. Pure."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal

from meterlink.limits import Limits, parse_limits, parse_quantity
from meterlink.outcome import Json
from meterlink.paper.letters import shortened
from meterlink.procedure.model import DeadStep, ReadingStep, Step, WatchStep
from meterlink.record.words import measured, plus_minus
from meterlink.report.gathered import MOST_READINGS, Gathered, TouchSeen
from meterlink.report.plot import Shown, plot
from meterlink.report.texts import Clock, said

_WHERE = 80
"""Letters of what was touched; the steps have it whole."""

OUTCOMES = {
    "matched": "matched",
    "retouch": "touched again",
    "out-of-limits": "out of limits",
    "unsteady": "unsteady",
    "wrong-function": "wrong function",
    "reversed": "reversed leads",
    "not-expected": "not expected then",
}


@dataclass(frozen=True, slots=True)
class TouchRow:
    """One touch."""

    number: int
    time: str
    where: str
    outcome: str
    value: str
    verdict: str
    """The verdict that was given during it, and by which limits."""
    words: str
    """What the picture shows."""
    svg: str


def touch_rows(gathered: Gathered, steps: Sequence[Step], clock: Clock) -> Iterator[TouchRow]:
    """Lay touches out, in order."""
    known = {step.id: step for step in steps}
    for number, touch in enumerate(gathered.touches, 1):
        step_id = touch.event.body["step"]
        step = known.get(str(step_id))
        yield _row(number, touch, step, _where(step_id, step, gathered.asked), clock)


def _row(number: int, touch: TouchSeen, step: Step | None, where: str, clock: Clock) -> TouchRow:
    body = touch.event.body
    start, end = float(str(body["from"])), float(str(body["to"]))
    shown, unit = _shown(touch, step), said(touch.unit or str(body["unit"] or ""))
    value, verdict = said(measured(body)), _verdict(touch)
    words = [f"Touch {number}: {_readings(touch)} over {end - start:.1f} s."]
    words += [f"Settled on {value}." if value else "It did not settle."]
    words += [f"Limits {said(shown.limits.text)}."] if shown else []
    return TouchRow(
        number=number,
        time=clock.time(touch.event.at.utc_ns),
        where=where,
        outcome=OUTCOMES[str(body["outcome"])],
        value=value,
        verdict=verdict,
        words=" ".join(words),
        svg=plot(touch.points, unit, (start, end), shown, " ".join(words)),
    )


def _readings(touch: TouchSeen) -> str:
    if touch.readings == 1:
        return "1 reading"
    if touch.readings >= MOST_READINGS:
        return f"the last {touch.readings} readings"
    return f"{touch.readings} readings"


def _where(step_id: object, step: Step | None, asked: Mapping[str, str]) -> str:
    """The point; in a search, which has no steps of its own, what was asked for."""
    if step is not None:
        return shortened(said(step.point), _WHERE)
    return "no step" if step_id is None else shortened(said(asked.get(str(step_id), str(step_id))), _WHERE)


def _verdict(touch: TouchSeen) -> str:
    if touch.verdict is None:
        return ""
    body = touch.verdict.body
    told = said(f"{str(body['outcome']).upper()} {measured(body)}".strip())
    within = plus_minus(body)
    return f"{told} ± {within}" if within else told


def _shown(touch: TouchSeen, step: Step | None) -> Shown | None:
    """What stands on the band: the verdict given meanwhile, else the value beside the step's own limits."""
    body = touch.event.body
    if touch.verdict is not None:
        judged = touch.verdict.body
        limits = limits_of(judged)
        if limits is None:
            return None
        expanded = judged.get("expanded_uncertainty")
        return Shown(limits, _number(judged), Decimal(str(expanded)) if expanded is not None else None)
    limits = _stated(step, _number(body))
    return Shown(limits, _number(body), None) if limits and limits.unit == (body["unit"] or touch.unit) else None


def _stated(step: Step | None, value: Decimal | None) -> Limits | None:
    if isinstance(step, DeadStep) and value is not None and step.known.limits.accept(value):
        return step.known.limits  # the known live source, before or after
    if isinstance(step, DeadStep | WatchStep) or (isinstance(step, ReadingStep) and not step.limits.relative_to):
        return step.limits
    return None


def _number(body: Json) -> Decimal | None:
    value = body["value"]
    return None if value in (None, "OL") else Decimal(str(value))


def limits_of(verdict: Json) -> Limits | None:
    """The limits of a verdict as numbers; None for those that are no one span."""
    text = str(verdict["limits"] or "")
    difference, _, reading = text.rpartition(" (")
    try:
        if not difference:
            return parse_limits(text)
        quantity = parse_quantity(reading.removesuffix(")"))
        return parse_limits(difference).around(quantity.value, quantity.unit, reading.removesuffix(")"))
    except ValueError:
        return None
