"""Whether steps that are worked, watched, timed, bridged or asked make sense, and whether each can be reached. Pure."""

from collections.abc import Iterator, Mapping, Sequence
from decimal import Decimal

from meterlink.limits import Limits
from meterlink.procedure.fields import Condition
from meterlink.procedure.lint import Finding, limits_findings, step_of_kind
from meterlink.procedure.model import (
    AgreeStep,
    AskStep,
    BridgeStep,
    DeadStep,
    IntervalStep,
    LookStep,
    MeasuredStep,
    OperateStep,
    Procedure,
    ReadingStep,
    Step,
    Unfolded,
    WatchStep,
    partner_of,
)
from meterlink.procedure.problem import Severity
from meterlink.procedure.source import Path
from meterlink.reading import Function

_WORKED = (Function.CONTINUITY, Function.RESISTANCE, Function.DC_VOLTAGE)
_PROVED_DEAD = (Function.DC_VOLTAGE, Function.AC_VOLTAGE)


def kind_findings(procedure: Procedure) -> Iterator[Finding]:
    """Check the steps of a procedure that is sound in shape."""
    places = {step.id: index for index, step in reversed([*enumerate(procedure.steps)])}
    for index, step in enumerate(procedure.steps):
        where: Path = ("steps", index)
        if isinstance(step, OperateStep):
            yield from _operate(where, step)
        elif isinstance(step, WatchStep):
            yield from _watch(where, step)
        elif isinstance(step, IntervalStep):
            yield from _interval(where, step)
        elif isinstance(step, DeadStep):
            yield from _dead(where, step)
        elif isinstance(step, BridgeStep):
            yield from _bridge(where, step, procedure.steps)
        if step.on_fail == "find" and isinstance(step, OperateStep | WatchStep | IntervalStep | DeadStep):
            yield Finding((*where, "on_fail"), "a search begins from a reading that still stands; use stop or go-to ID")
        if isinstance(step, LookStep | AskStep):
            yield from _last(where, step, procedure.steps, places)
        yield from _conditions(where, step, procedure.steps, places)
        yield from _jump(where, step, procedure.steps, places)
    for group in procedure.groups:
        if group.any_order:
            yield from _any_order(group, procedure.steps, places)


def _alone(
    where: Path, step: OperateStep | WatchStep | IntervalStep | DeadStep, key: str, limits: Limits
) -> Iterator[Finding]:
    """Check limits that stand for themselves."""
    if limits.relative_to is not None:
        text = f"limits of {step_of_kind(step.kind)} cannot refer to another reading"
        yield Finding((*where, key), text)
    else:
        yield from limits_findings((*where, key), step.measure, limits)


def _operate(where: Path, step: OperateStep) -> Iterator[Finding]:
    for function in step.measure:
        if function not in _WORKED:
            yield Finding((*where, "measure"), f"a contact is worked in {_or(_WORKED)}, not in {function}")
            return
    if step.open.text == "OL" and not step.measure[0].open_leads_read_overload:
        yield Finding(where, "key 'open' is missing: in volts, what is read while the contact is open")
        return
    yield from _alone(where, step, "closed", step.closed)
    yield from _alone(where, step, "open", step.open)
    if overlap(step.closed, step.open):
        yield Finding(
            (*where, "open"), f"{step.open.text} overlaps {step.closed.text}: open cannot be told from closed"
        )


def _watch(where: Path, step: WatchStep) -> Iterator[Finding]:
    yield from _alone(where, step, "limits", step.limits)
    in_the_air = step.limits.overload if step.measure[0].open_leads_read_overload else step.limits.accept(Decimal(0))
    if in_the_air and step.begins == "settled":
        text = f"leads in the air show {step.limits.text} too; watching them begins with confirm"
        yield Finding((*where, "begins"), text)


def _interval(where: Path, step: IntervalStep) -> Iterator[Finding]:
    yield from _alone(where, step, "from", step.from_)
    yield from _alone(where, step, "to", step.to)
    if overlap(step.from_, step.to):
        yield Finding(
            (*where, "to"), f"{step.to.text} overlaps {step.from_.text}: the two changes cannot be told apart"
        )
    if step.limits.unit != "s" or step.limits.relative_to is not None:
        yield Finding((*where, "limits"), f"{step.limits.text}: expected a time, such as 0.5..5 s")
    elif step.limits.high is not None and step.limits.high <= 0:
        yield Finding((*where, "limits"), f"{step.limits.text}: no interval is so short")


def _dead(where: Path, step: DeadStep) -> Iterator[Finding]:
    for function in step.measure:
        if function not in _PROVED_DEAD:
            yield Finding((*where, "measure"), f"a point is proved dead in {_or(_PROVED_DEAD)}, not in {function}")
            return
    yield from _alone(where, step, "limits", step.limits)
    yield from _alone((*where, "known"), step, "limits", step.known.limits)
    if not step.limits.accept(Decimal(0)):
        yield Finding((*where, "limits"), f"{step.limits.text} does not accept 0 V, which is dead")
    if overlap(step.limits, step.known.limits) or step.known.limits.accept(Decimal(0)):
        text = f"{step.known.limits.text}: the known source would read this while dead; it proves nothing"
        yield Finding((*where, "known", "limits"), text)
    if (step.known.point, step.known.reference or step.reference) == (step.point, step.reference):
        yield Finding((*where, "known", "point"), "the known source is the point itself; it proves nothing")


def _bridge(where: Path, step: BridgeStep, steps: Sequence[Step]) -> Iterator[Finding]:
    before = steps[: where[1]] if isinstance(where[1], int) else steps
    after = steps[len(before) + 1 :]
    if step.jumper == "removed" and not _temporary(before, step.point):
        yield Finding((*where, "point"), f"no step before fits a temporary jumper at {step.point!r}")
    if step.jumper != "temporary":
        if step.why is not None:
            yield Finding((*where, "why"), f"only a temporary jumper has a why, and this one is {step.jumper}")
        return
    if step.why is None:
        yield Finding(where, "key 'why' is missing: a temporary jumper is entered with what it is for")
    if not any(isinstance(each, BridgeStep) and _same(each, "removed", step.point) for each in after):
        text = f"no later step removes the jumper at {step.point!r}; it will be asked for at the end of the job"
        yield Finding(where, text, Severity.WARNING)


def _temporary(steps: Sequence[Step], point: str) -> bool:
    return any(isinstance(each, BridgeStep) and _same(each, "temporary", point) for each in steps)


def _same(step: BridgeStep, jumper: str, point: str) -> bool:
    return step.jumper == jumper and step.point == point


def _conditions(where: Path, step: Step, steps: Sequence[Step], places: Mapping[str, int]) -> Iterator[Finding]:
    for index, condition in enumerate(step.if_):
        place: Path = (*where, "if", index)
        at = places.get(condition.ask)
        if at is None:
            yield Finding(place, f"no step has the id {condition.ask!r}; this step can never be reached")
        elif not isinstance(steps[at], AskStep):
            yield Finding(place, f"{condition.ask!r} is {step_of_kind(steps[at].kind)}; expected the id of an ask step")
        elif at >= places[step.id]:
            yield Finding(place, f"{condition.ask!r} is asked later; put it before this step")
        elif Condition(condition.ask, not condition.yes) in step.if_:
            yield Finding(place, f"both {condition.ask!r} and its opposite must hold; this step can never be reached")
    partner = partner_of(step, steps) if isinstance(step, MeasuredStep) else None
    if partner is not None and not set(partner.if_) <= set(step.if_):
        key = "with" if isinstance(step, AgreeStep) else "limits"
        text = f"{partner.id!r} may be passed over (if {', '.join(map(str, partner.if_))}); give this step the same if"
        yield Finding((*where, key), text)


def _last(where: Path, step: LookStep | AskStep, steps: Sequence[Step], places: Mapping[str, int]) -> Iterator[Finding]:
    """Check what a question about the last visit refers to."""
    read = []
    for index, name in enumerate(step.last):
        at = places.get(name)
        if at is None:
            yield Finding((*where, "last", index), f"no step has the id {name!r}")
        elif not isinstance(each := steps[at], ReadingStep | AgreeStep):
            text = f"{name!r} is {step_of_kind(steps[at].kind)}; expected the id of a reading or agree step"
            yield Finding((*where, "last", index), text)
        else:
            read.append(each)
    if len(read) == 2 and any(each.measure[0] is not Function.DC_VOLTAGE for each in read):
        yield Finding((*where, "last"), "between two steps volts are lost; both must measure dc-voltage")
    if len({(each.reference, each.situation) for each in read}) > 1:
        yield Finding((*where, "last"), "the two are read to other references, or in other situations")


def _jump(where: Path, step: Step, steps: Sequence[Step], places: Mapping[str, int]) -> Iterator[Finding]:
    if step.goes_to is None:
        return
    place: Path = (*where, "on_fail")
    here, target = places[step.id], places.get(step.goes_to)
    if isinstance(step, AskStep):
        yield Finding(place, "an ask step has no fail to go on from; use if")
    elif target is None:
        yield Finding(place, f"no step has the id {step.goes_to!r} to go to")
    elif target == here:
        yield Finding(place, "a step cannot go to itself; the technician can repeat it")
    elif target < here and all(isinstance(each, MeasuredStep) for each in steps[target:here]):
        text = f"between {step.goes_to!r} and this step nothing is done by hand: going back measures the same again"
        yield Finding(place, text, Severity.WARNING)
    elif target > here + 1:
        skipped = {each.id for each in steps[here + 1 : target]}
        needed = {each.ask for later in steps[target:] for each in later.if_} & skipped
        if needed:
            text = f"passes over {', '.join(sorted(needed))}, which later steps depend on: they will not apply"
            yield Finding(place, text, Severity.WARNING)


def _any_order(group: Unfolded, steps: Sequence[Step], places: Mapping[str, int]) -> Iterator[Finding]:
    members = [steps[places[step]] for step in group.steps]
    seen: list[ReadingStep] = []
    for step in members:
        where: Path = ("steps", places[step.id])
        if not isinstance(step, ReadingStep) or step.limits.computed or step.limits.relative_to is not None:
            text = f"any order takes reading steps with limits of their own, and this is {step_of_kind(step.kind)}"
            yield Finding((*where, "kind"), text)
            return
        if not step.limits.nearest_zero and not step.measure[0].open_leads_read_overload:
            yield Finding(
                (*where, "limits"), f"{step.limits.text} accepts what leads in the air show; no any order here"
            )
        elif step.limits.overload:
            yield Finding(
                (*where, "limits"), f"{step.limits.text} accepts OL, as of leads in the air; no any order here"
            )
        for other in seen:
            if (other.measure, other.reference) != (step.measure, step.reference):
                yield Finding(
                    (*where, "measure"), f"any order takes one measure and reference; {other.id!r} has others"
                )
            elif overlap(other.limits, step.limits):
                text = f"{step.limits.text} overlaps {other.limits.text} of {other.id!r}: a touch may be either's"
                yield Finding((*where, "limits"), text)
        seen.append(step)


def overlap(one: Limits, other: Limits) -> bool:
    """Tell whether some display fits both."""
    if one.overload and other.overload:
        return True
    if not one.numbers or not other.numbers:
        return False
    above = one.low is not None and other.high is not None and one.low > other.high
    below = one.high is not None and other.low is not None and one.high < other.low
    return not (above or below)


def _or(functions: Sequence[Function]) -> str:
    return f"{', '.join(functions[:-1])} or {functions[-1]}"
