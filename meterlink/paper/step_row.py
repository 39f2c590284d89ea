"""What one step says on paper: what to do, what is accepted, what to write down, what then. Pure."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import assert_never

from meterlink.limits import Limits
from meterlink.paper.by_hand import judged_by
from meterlink.paper.letters import plain_text
from meterlink.phrases import functions
from meterlink.procedure.model import AgreeStep, LookStep, MeasuredStep, Procedure, ReadingStep, Step, partner_of
from meterlink.reading import Function

VERDICTS = ("pass", "fail", "unclear")
_ANSWERS = ("yes", "no")
_UNITS = {"Ohm": "Ω", "Cel": "°C"}
_ON_FAIL = {
    "continue": None,
    "stop": "stop here.",
    "find": "look for the fault before you go on.",
}


@dataclass(frozen=True, slots=True)
class Said:
    """A text with the word in front of it."""

    word: str | None
    value: str


@dataclass(frozen=True, slots=True)
class Accepted:
    """Limits, what they belong to where a step has several, and the number of the source."""

    word: str | None
    value: str
    source: int | None


@dataclass(frozen=True, slots=True)
class Blank:
    """A box for a reading."""

    word: str | None
    unit: str


@dataclass(frozen=True, slots=True)
class Row:
    """One step."""

    number: int
    shape: str
    """The form of its stop on the rail."""
    point: str
    kind: str | None
    """A word for what is not simply read."""
    heading: str | None
    """What begins here."""
    doing: tuple[str, ...]
    setting: tuple[Said, ...]
    """Leads, dial, the state of the lift."""
    failing: tuple[Said, ...]
    limits: tuple[Accepted, ...]
    blanks: tuple[Blank, ...]
    boxes: tuple[str, ...]

    @property
    def letters(self) -> int:
        """How much there is to read in its widest column."""
        texts = [self.point, self.heading or "", *self.doing]
        return sum(map(len, texts)) + sum(len(each.value) for each in (*self.setting, *self.failing))


@dataclass(frozen=True, slots=True)
class _Part:
    """What a kind of step adds to what all have in common."""

    shape: str
    kind: str | None = None
    doing: tuple[str, ...] = ()
    limits: tuple[tuple[str | None, str], ...] = ()
    blanks: tuple[Blank, ...] = ()
    boxes: tuple[str, ...] = VERDICTS


def step_row(
    number: int, step: Step, procedure: Procedure, source: Callable[[str], int], situation: Callable[[str], str]
) -> Row:
    """Lay one step out.

    Args:
        number: its place, from 1.
        step: with its limits worked out.
        procedure: the one that it belongs to.
        source: the number under which a source of limits is listed.
        situation: a situation in words.
    """
    part = _part(step, procedure.steps)
    measured = step if isinstance(step, MeasuredStep) else None
    listed = source(plain_text(measured.source)) if measured and measured.source else None
    setting = _setting(measured, procedure, situation) if measured else ()
    failing = [("On anything but a pass:", _ON_FAIL[step.on_fail]), ("If it fails:", step.remedy)]
    return Row(
        number=number,
        shape=part.shape,
        point=plain_text(step.point),
        kind=part.kind,
        heading=None,
        doing=tuple(map(plain_text, part.doing)),
        setting=setting,
        failing=tuple(Said(word, plain_text(text)) for word, text in failing if text),
        limits=tuple(Accepted(word, plain_text(text), listed) for word, text in part.limits),
        blanks=part.blanks,
        boxes=part.boxes,
    )


def _part(step: Step, steps: Sequence[Step]) -> _Part:
    said = (step.say,) if step.say else ()
    match step:
        case ReadingStep():
            unit = _unit(step.measure)
            limits = step.limits.text + (f", {_partner(step, steps)}" if step.limits.relative_to else "")
            return _Part("touch", doing=said, limits=((None, limits),), blanks=(Blank(None, unit),))
        case AgreeStep():
            unit = _unit(step.measure)
            limits = f"within {step.within.text} of {_partner(step, steps)}"
            return _Part("touch", "compared", said, ((None, limits),), (Blank(None, unit), Blank("difference", unit)))
        case LookStep():
            return _Part("look", "seen, not measured", (*said, step.ask), boxes=_ANSWERS)
        case _:
            assert_never(step)


def _setting(step: MeasuredStep, procedure: Procedure, situation: Callable[[str], str]) -> tuple[Said, ...]:
    found = [Said("Black lead", plain_text(step.reference)), Said("Dial", functions(step.measure))]
    if step.situation is not None and step.situation != procedure.situation:
        found.append(Said("State", plain_text(situation(step.situation))))
    if step.judging is not None:
        found.append(Said("Judged", plain_text(judged_by(step.judging.decision))))
    return tuple(found)


def _partner(step: MeasuredStep, steps: Sequence[Step]) -> str:
    """The step that a step refers to, as paper names it."""
    partner = partner_of(step, steps)
    assert partner is not None  # noqa: S101 - the loader refuses a procedure in which it is missing
    return f"step {steps.index(partner) + 1} ({partner.point})"


def _unit(measure: Sequence[Function]) -> str:
    """The unit as the display shows it; a step's functions share one."""
    return _UNITS.get(measure[0].unit, measure[0].unit)
