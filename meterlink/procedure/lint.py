"""Whether the steps of a procedure make sense: what the shape of the file alone cannot tell."""

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from meterlink.judging.rules import Rule
from meterlink.limits import Limits
from meterlink.procedure.model import (
    AgreeStep,
    Judging,
    MeasuredStep,
    Procedure,
    ReadingStep,
    Reference,
    Step,
    partner_of,
    referred_to,
)
from meterlink.procedure.problem import Problem, Severity
from meterlink.procedure.source import Path, Source
from meterlink.reading import Function

_NEVER_NEGATIVE = frozenset(Function) - {
    Function.DC_VOLTAGE,
    Function.DC_CURRENT,
    Function.DIODE,
    Function.TEMPERATURE,
}
"""Magnitudes (ohms, farads, hertz, duty) and root-mean-square values, which have no sign."""

_SHOW_REVERSAL = frozenset({Function.DC_VOLTAGE, Function.DC_CURRENT})
"""Where a negative value means swapped leads or wires."""


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that makes no sense, at one part of the procedure."""

    path: Path
    message: str
    severity: Severity = Severity.ERROR
    first: Path | None = None
    """The earlier part that this one clashes with."""


def found(source: Source, findings: Iterable[Finding]) -> list[Problem]:
    """Give each finding its place."""
    return [_found(source, each) for each in findings]


def lint(
    steps: Mapping[int, Step], references: Sequence[Reference] = (), unread: Collection[str] = ()
) -> Iterator[Finding]:
    """Check steps against themselves and each other.

    Args:
        steps: the steps by position; positions may be missing, where a step could not be read.
        references: the places declared for the black lead.
        unread: ids of the steps that could not be read; nothing is said about what refers to them.
    """
    earlier: dict[str, tuple[int, Step]] = {}
    for index, step in sorted(steps.items()):
        where: Path = ("steps", index)
        if step.id in earlier:
            yield Finding((*where, "id"), f"id {step.id!r} is used twice", first=("steps", earlier[step.id][0], "id"))
        if isinstance(step, ReadingStep):
            yield from _reading(where, step)
        elif isinstance(step, AgreeStep):
            yield from _agree(where, step)
        if isinstance(step, MeasuredStep):
            yield from _rule(where, step)
            if referred_to(step) is not None and referred_to(step) not in unread:
                yield from _partner(where, step, steps)
        earlier.setdefault(step.id, (index, step))
    yield from _references(steps, references, complete=not unread)


def _unit(where: Path, step: MeasuredStep) -> Iterator[Finding]:
    units = sorted({function.unit for function in step.measure})
    if len(units) > 1:
        yield Finding((*where, "measure"), f"functions of different units, {' and '.join(units)}; expected one unit")


def procedure_findings(procedure: Procedure) -> Iterator[Finding]:
    """Check what a procedure states for its steps: the decision rule, and whether there is a circuit to go by."""
    yield from _without_circuit(procedure)
    judging = procedure.judging
    if judging is None:
        return
    yield from judging_findings(("judging",), judging)
    most = judging.max_uncertainty
    for step in procedure.steps:
        if most is None or most.unit == "%" or not isinstance(step, MeasuredStep) or step.judging is not None:
            continue
        if most.unit not in {function.unit for function in step.measure}:
            message = f"in {most.unit}, but step {step.id!r} is measured in {step.measure[0].unit}; write a percentage"
            yield Finding(("judging", "max_uncertainty"), message)
            return


def _without_circuit(procedure: Procedure) -> Iterator[Finding]:
    """Find what only a circuit could give."""
    if procedure.circuit is not None:
        for index, step in enumerate(procedure.steps):
            if step.id.startswith(SEARCH_PREFIX):
                text = f"ids that begin with {SEARCH_PREFIX!r} are those of a search's own steps"
                yield Finding(("steps", index, "id"), text)
        return
    needs = "needs the procedure's circuit; add the key circuit"
    for key in ("situation", "symptom"):
        if getattr(procedure, key) is not None:
            yield Finding((key,), f"{key} {needs}")
    if procedure.begin_with == "find":
        yield Finding(("begin_with",), f"find {needs}")
    for index, step in enumerate(procedure.steps):
        where: Path = ("steps", index)
        if step.on_fail == "find":
            yield Finding((*where, "on_fail"), f"find {needs}")
        if isinstance(step, MeasuredStep) and step.situation is not None:
            yield Finding((*where, "situation"), f"situation {needs}")
        if isinstance(step, ReadingStep) and step.expect is not None:
            yield Finding((*where, "expect"), f"computed {needs}")


SEARCH_PREFIX = "find-"
"""How the ids of the steps begin that a search for a fault asks for."""


def _rule(where: Path, step: MeasuredStep) -> Iterator[Finding]:
    """Check what a step says of judging."""
    if step.source_resistance is not None and step.measure[0].unit != "V":
        message = f"a meter loads a circuit in volts, not in {step.measure[0]}"
        yield Finding((*where, "source_resistance"), message, Severity.WARNING)
    judging = step.judging
    if judging is None:
        return
    place: Path = (*where, "judging")
    yield from judging_findings(place, judging)
    most = judging.max_uncertainty
    if most is not None and most.unit not in ("%", *(function.unit for function in step.measure)):
        unit = step.measure[0].unit
        yield Finding((*place, "max_uncertainty"), f"in {most.unit}, but {step.measure[0]} is measured in {unit}")


def judging_findings(place: Path, judging: Judging) -> Iterator[Finding]:
    """Check a decision rule by itself."""
    if judging.coverage is not None and judging.coverage_factor is not None:
        yield Finding((*place, "coverage"), "coverage and coverage_factor are both given; leave one out")
    if judging.max_uncertainty is not None and judging.rule is not Rule.SIMPLE:
        yield Finding(
            (*place, "max_uncertainty"), f"only the rule simple has a largest uncertainty, and this is {judging.rule}"
        )
    if judging.max_uncertainty is None and judging.rule is Rule.SIMPLE:
        yield Finding(
            place,
            "simple acceptance without max_uncertainty: at a limit, whatever the meter, it is wrong as often as right",
            Severity.WARNING,
        )


def _reading(where: Path, step: ReadingStep) -> Iterator[Finding]:
    yield from _unit(where, step)
    place, limits = (*where, "limits"), step.limits
    if step.expect is not None:
        if not limits.computed:
            yield Finding((*where, "expect"), "limits are given as well; leave one out")
        if step.measure[0] not in (Function.DC_VOLTAGE, Function.RESISTANCE):
            yield Finding((*where, "measure"), f"a circuit gives DC volts and ohms, not {step.measure[0]}")
        return
    if limits.relative_to is not None:
        units = {function.unit for function in step.measure}
        if limits.unit not in (None, *units):
            yield Finding(
                place, f"a difference in {limits.unit}, but {step.measure[0]} is measured in {step.measure[0].unit}"
            )
        return
    yield from limits_findings(place, step.measure, limits)


def limits_findings(place: Path, measure: Sequence[Function], limits: Limits) -> Iterator[Finding]:
    """Check limits of their own against what is measured."""
    for function in measure:
        if limits.unit is None and not function.open_leads_read_overload:
            yield Finding(
                place, f"{limits.text}: {function} has no OL for open leads; expected resistance, continuity or diode"
            )
        if limits.unit not in (None, function.unit):
            yield Finding(place, f"limits in {limits.unit}, but {function} is measured in {function.unit}")
        elif function in _NEVER_NEGATIVE and any(end is not None and end < 0 for end in (limits.low, limits.high)):
            yield Finding(place, f"a limit below 0, but {function} is never negative")
        elif function in _SHOW_REVERSAL and limits.low is None and limits.high is not None:
            yield Finding(
                place,
                f"accepts every negative value, so swapped leads pass; write a lower limit too, "
                f"such as {-abs(limits.high)}..{limits.high} {limits.unit}",
                Severity.WARNING,
            )


def _agree(where: Path, step: AgreeStep) -> Iterator[Finding]:
    yield from _unit(where, step)
    if step.within.unit not in {function.unit for function in step.measure}:
        yield Finding(
            (*where, "within"),
            f"a difference in {step.within.unit}, but {step.measure[0]} is measured in {step.measure[0].unit}",
        )


def _partner(where: Path, step: MeasuredStep, steps: Mapping[int, Step]) -> Iterator[Finding]:
    place = (*where, "with" if isinstance(step, AgreeStep) else "limits")
    partner = partner_of(step, [each for _, each in sorted(steps.items())])
    if partner is None:
        yield Finding(place, _no_partner(step, steps))
    elif isinstance(partner, ReadingStep) and not partner.limits.numbers and not partner.limits.computed:
        yield Finding(place, f"{partner.id!r} accepts only OL, which is no value; this step can never be judged")
    elif partner.measure[0].unit != step.measure[0].unit:
        units = f"{partner.measure[0].unit}, this step in {step.measure[0].unit}"
        yield Finding(place, f"{partner.id!r} is measured in {units}; they can never be compared")
    else:
        yield from _doubtful_partner(where, step, partner)


def _no_partner(step: MeasuredStep, steps: Mapping[int, Step]) -> str:
    name = referred_to(step)
    if name in (step.id, step.point):
        return "a step cannot agree with itself; expected the id of an earlier step"
    named = [other for other in steps.values() if name in (other.id, other.point)]
    odd = next((other for other in named if not isinstance(other, ReadingStep | AgreeStep)), None)
    if odd is not None:
        gives = "measures no single value" if isinstance(odd, MeasuredStep) else "measures nothing"
        return f"{name!r} is {step_of_kind(odd.kind)} and {gives}; this step can never be judged"
    if named:
        return f"step {name!r} comes later; this step can never be judged, so put it behind {name!r}"
    what = "id" if isinstance(step, AgreeStep) else "id or the point"
    return f"no step has the {what} {name!r}; this step can never be judged"


def step_of_kind(kind: str) -> str:
    """Write a kind of step with its article."""
    return f"{'an' if kind[:1] in ('a', 'i', 'o') else 'a'} {kind} step"


def _doubtful_partner(where: Path, step: MeasuredStep, partner: MeasuredStep) -> Iterator[Finding]:
    if partner.reference != step.reference:
        yield Finding(
            (*where, "reference"),
            f"measured to {step.reference!r}, but {partner.id!r} to {partner.reference!r}; is that meant?",
            Severity.WARNING,
        )
    if not set(partner.measure) & set(step.measure):
        yield Finding(
            (*where, "measure"),
            f"{step.measure[0]} is compared with {partner.measure[0]} of {partner.id!r}; is that meant?",
            Severity.WARNING,
        )


def _references(steps: Mapping[int, Step], references: Sequence[Reference], *, complete: bool) -> Iterator[Finding]:
    used = {step.reference for step in steps.values() if isinstance(step, MeasuredStep)}
    declared: dict[str, int] = {}
    for index, reference in enumerate(references):
        place: Path = ("references", index, "name")
        if reference.name in declared:
            first: Path = ("references", declared[reference.name], "name")
            yield Finding(place, f"reference {reference.name!r} is explained twice", first=first)
        elif complete and reference.name not in used:
            yield Finding(place, f"no step uses the reference {reference.name!r}", Severity.WARNING)
        declared.setdefault(reference.name, index)


def _found(source: Source, finding: Finding) -> Problem:
    first = ""
    if finding.first is not None:
        line = source.value_place(finding.first)
        in_each_round = line == source.value_place(finding.path)
        first = "; it is the same in each round of its group" if in_each_round else f"; the first is in line {line[0]}"
    return Problem(*source.value_place(finding.path), finding.message + first, finding.severity)
