"""One step as a row of the table on paper. Pure."""

from collections.abc import Callable
from dataclasses import dataclass, replace

from meterlink.paper.by_hand import rule_of
from meterlink.paper.letters import plain_text, shortened
from meterlink.paper.step_kind import Blank, kind_on_paper, named, number_of
from meterlink.phrases import functions
from meterlink.procedure.model import DeadStep, MeasuredStep, Procedure, Step

_ON_FAIL = {"stop": "stop here.", "find": "look for the fault before you go on."}

_BLANK_WORD = 24
"""Letters over a box."""


@dataclass(frozen=True, slots=True)
class Said:
    """A text with the word in front of it."""

    word: str
    value: str


@dataclass(frozen=True, slots=True)
class Accepted:
    """Limits, what they belong to where a step has several, and the number of the source."""

    word: str | None
    value: str
    source: int | None


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
    """The group that begins here."""
    doing: tuple[str, ...]
    setting: tuple[Said, ...]
    """When it applies, the leads, the dial, the state of the lift."""
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
class Rows:
    """Lays the steps of one procedure out."""

    procedure: Procedure
    source: Callable[[str], int]
    """The number under which a source of limits is listed."""
    situation: Callable[[str], str]
    """A situation in words."""

    def row(self, step: Step) -> Row:
        """Lay one step out; its limits are worked out."""
        steps = self.procedure.steps
        kind = kind_on_paper(step, steps)
        listed = self.source(plain_text(step.source)) if isinstance(step, MeasuredStep) and step.source else None
        doing = (step.say, *kind.doing) if step.say else kind.doing
        return Row(
            number=number_of(step, steps),
            shape=kind.shape,
            point=plain_text(step.point),
            kind=kind.word,
            heading=self._heading(step),
            doing=tuple(map(plain_text, doing)),
            setting=tuple(Said(word, plain_text(text)) for word, text in self._setting(step)),
            failing=tuple(Said(word, plain_text(text)) for word, text in self._failing(step)),
            limits=tuple(Accepted(word and plain_text(word), plain_text(text), listed) for word, text in kind.limits),
            blanks=tuple(
                replace(each, word=each.word and shortened(plain_text(each.word), _BLANK_WORD)) for each in kind.blanks
            ),
            boxes=kind.boxes,
        )

    def _heading(self, step: Step) -> str | None:
        """The titles of the groups that begin with a step, outer ones first."""
        begun = [group for group in self.procedure.groups if group.steps[:1] == (step.id,)]
        titles = [f"{group.title} (in any order)" if group.any_order else group.title for group in begun]
        return plain_text(": ".join(titles)) if titles else None

    def _setting(self, step: Step) -> list[tuple[str, str]]:
        found = []
        for condition in step.if_:
            answer = "yes" if condition.yes else "no"
            found.append(("Only if", f"{self._named(condition.ask)} is answered {answer}"))
        if isinstance(step, MeasuredStep):
            found += [("Black lead", step.reference), ("Dial", functions(step.measure))]
            if step.situation is not None and step.situation != self.procedure.situation:
                found.append(("State", self.situation(step.situation)))
            if step.judging is not None:
                found.append(("Judged", rule_of(step.judging.decision)))
        if step.holds == "visit" or isinstance(step, DeadStep):
            found.append(("Holds", "for this visit; prove it again after more than 4 hours"))
        return found

    def _failing(self, step: Step) -> list[tuple[str, str]]:
        then = _ON_FAIL.get(step.on_fail)
        if step.goes_to is not None:
            then = f"go on with {self._named(step.goes_to)}."
        found = [("On anything but a pass:", then), ("If it fails:", step.remedy)]
        return [(word, text) for word, text in found if text is not None]

    def _named(self, step: str) -> str:
        steps = self.procedure.steps
        return named(next(each for each in steps if each.id == step), steps)
