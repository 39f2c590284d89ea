"""What each kind of step asks for on paper: what to do, limits, boxes for readings and for the verdict. Pure."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import assert_never

from meterlink.procedure.model import (
    AgreeStep,
    AskStep,
    BridgeStep,
    DeadStep,
    IntervalStep,
    LookStep,
    MeasuredStep,
    OperateStep,
    ReadingStep,
    Step,
    WatchStep,
    partner_of,
)
from meterlink.reading import Function, plain

VERDICTS = ("pass", "fail", "unclear")
ANSWERS = ("yes", "no")

_UNITS = {"Ohm": "Ω", "Cel": "°C"}
_JUMPERS = {"factory": "factory-fit jumper", "temporary": "temporary jumper", "removed": "jumper taken out"}


@dataclass(frozen=True, slots=True)
class Blank:
    """A box for a reading, with what it is the reading of where a step has several."""

    word: str | None
    unit: str


@dataclass(frozen=True, slots=True)
class KindOnPaper:
    """What a kind of step adds to what all steps have."""

    shape: str
    """The form of its stop on the rail, as the template names it."""
    word: str | None = None
    """What it is, where it is not simply read."""
    doing: tuple[str, ...] = ()
    limits: tuple[tuple[str | None, str], ...] = ()
    """Each with what it is the limit of, where there are several."""
    blanks: tuple[Blank, ...] = ()
    boxes: tuple[str, ...] = VERDICTS


def kind_on_paper(step: Step, steps: Sequence[Step]) -> KindOnPaper:
    """Say what a step asks for.

    Args:
        step: one of `steps`, with its limits worked out.
        steps: the procedure's, in order: they are known by their numbers on paper.
    """
    match step:
        case ReadingStep():
            limits = step.limits.text
            if step.limits.relative_to is not None:
                limits = f"{limits} (step {number_of(_partner(step, steps), steps)})"
            return KindOnPaper("touch", limits=((None, limits),), blanks=(Blank(None, unit_of(step.measure)),))
        case AgreeStep():
            unit = unit_of(step.measure)
            limits = f"within {step.within.text} of {named(_partner(step, steps), steps)}"
            return KindOnPaper(
                "touch", "compared", limits=((None, limits),), blanks=(Blank(None, unit), Blank("difference", unit))
            )
        case OperateStep():
            return _operate(step)
        case WatchStep():
            least = f"{plain(step.least.value)} s"
            return KindOnPaper(
                "time",
                "watched under way",
                (f"Hold the probes there while the lift travels, for {least} at least. Write down the worst reading.",),
                ((None, step.limits.text),),
                (Blank("worst", unit_of(step.measure)), Blank("watched for", "s")),
            )
        case IntervalStep():
            return KindOnPaper(
                "time",
                "timed",
                (f"The time runs from {step.from_.text} to {step.to.text}.",),
                ((None, step.limits.text),),
                (Blank(None, "s"),),
            )
        case DeadStep():
            return _dead(step)
        case LookStep():
            return KindOnPaper("look", "seen, not measured", (step.question,), boxes=ANSWERS)
        case BridgeStep():
            why = (f"What it is for: {step.why}",) if step.why else ()
            return KindOnPaper("bridge", _JUMPERS[step.jumper], (step.question, *why), boxes=ANSWERS)
        case AskStep():
            return KindOnPaper("question", "asked; steps depend on it", (step.question,), boxes=ANSWERS)
        case _:
            assert_never(step)


def number_of(step: Step | MeasuredStep, steps: Sequence[Step]) -> int:
    """A step's number on paper."""
    return next(number for number, each in enumerate(steps, 1) if each is step)


def named(step: Step | MeasuredStep, steps: Sequence[Step]) -> str:
    """A step as other steps refer to it on paper."""
    return f"step {number_of(step, steps)} ({step.point})"


def unit_of(measure: Sequence[Function]) -> str:
    """The unit as the display shows it; a step's functions share one."""
    return _UNITS.get(measure[0].unit, measure[0].unit)


def _partner(step: MeasuredStep, steps: Sequence[Step]) -> MeasuredStep:
    partner = partner_of(step, steps)
    assert partner is not None  # noqa: S101 - the loader refuses a procedure in which it is missing
    return partner


def _operate(step: OperateStep) -> KindOnPaper:
    unit, times = unit_of(step.measure), "once" if step.times == 1 else f"{step.times} times"
    return KindOnPaper(
        "touch",
        "worked by hand",
        (f"Work it {times} with the probes on it. It begins {step.begins}; hold each state for about a second.",),
        (("closed", step.closed.text), ("open", step.open.text)),
        (Blank("closed", unit), Blank("open", unit), Blank("times seen", f"of {step.times}")),
    )


def _dead(step: DeadStep) -> KindOnPaper:
    unit = unit_of(step.measure)
    source = f"{step.known.point} to {step.known.reference or step.reference}"
    return KindOnPaper(
        "dead",
        "proved dead",
        (f"Touch the known source, {source}, then {step.point}, then the known source again.",),
        (("known source, twice", step.known.limits.text), (step.point, step.limits.text)),
        (Blank("source before", unit), Blank(step.point, unit), Blank("source after", unit)),
    )
