"""The steps of a job as a report shows them. Pure."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from meterlink.outcome import Json, TouchOutcome, VerdictOutcome
from meterlink.paper.step_kind import kind_on_paper
from meterlink.phrases import functions
from meterlink.procedure.model import AgreeStep, MeasuredStep, Procedure, ReadingStep, Step
from meterlink.record.entry import Event
from meterlink.record.summary import Judged, Summary
from meterlink.record.words import inside, measured, plus_minus
from meterlink.report.gathered import TouchSeen
from meterlink.report.texts import Clock, said

MARKS = {"pass": "●", "fail": "○", "unclear": "◐", "not-applicable": "–", "yes": "●", "no": "○", "open": "·"}
"""As on the screens: full, hollow, half."""
WORDS = {
    "pass": "pass",
    "fail": "FAIL",
    "unclear": "UNCLEAR",
    "not-applicable": "not applicable",
    "yes": "answered yes",
    "no": "answered no",
    "open": "NOT JUDGED",
}


@dataclass(frozen=True, slots=True)
class StepRow:
    """One step."""

    number: int
    id: str
    point: str
    heading: str | None
    """The titles of the groups that begin here."""
    asked: str | None
    """What was asked where nothing is measured."""
    setting: str
    """Black lead and dial."""
    state: str
    """One of `WORDS`."""
    mark: str
    word: str
    value: str
    uncertainty: str
    limits: list[str]
    source: int | None
    """The number under which the source of the limits is listed."""
    rule: str
    inside: str
    """How likely the true value lies inside the limits."""
    time: str
    why: str
    earlier: list[str]
    """Verdicts that no longer count."""
    touches: list[int]
    retouches: list[str]


@dataclass(slots=True)
class Rows:
    """Lays the steps of one job out."""

    summary: Summary
    clock: Clock
    touches: Sequence[TouchSeen]
    sources: dict[str, int] = field(default_factory=dict)
    """The numbers of the sources so far."""

    def rows(self, procedure: Procedure | None) -> Iterator[StepRow]:
        """Yield the steps in the procedure's order, then whatever else has a verdict."""
        steps = procedure.steps if procedure else ()
        headings = _headings(procedure) if procedure else {}
        number = 0
        for number, step in enumerate(steps, 1):
            yield self._row(number, step.id, step, headings.get(step.id), steps)
        known = {step.id for step in steps}
        for strange in dict.fromkeys((*self.summary.steps, *self.summary.answers)):
            if strange not in known:
                number += 1
                yield self._row(number, strange, None, None, steps)

    def _row(self, number: int, step_id: str, step: Step | None, heading: str | None, steps: Sequence[Step]) -> StepRow:
        judged, answer = self.summary.steps.get(step_id), self.summary.answers.get(step_id)
        answered = answer is not None and (judged is None or judged.at < answer.at)
        counts = judged if judged and not judged.reopened and not answered else None
        body: Json = counts.last if counts else {}
        state = _state(counts, answer if answered else None)
        source = body.get("limits_source") or (step.source if isinstance(step, MeasuredStep) else None)
        touched = [(each, touch) for each, touch in enumerate(self.touches, 1) if touch.event.body["step"] == step_id]
        at = counts.at if counts else answer.at if answer and answered else None
        return StepRow(
            number=number,
            id=said(step_id),
            point=said(step.point) if step else f"{said(step_id)} (not in the procedure)",
            heading=heading,
            asked=said(step.question) if step and not isinstance(step, MeasuredStep) else None,
            setting=said(f"{step.reference}, {functions(step.measure)}") if isinstance(step, MeasuredStep) else "",
            state=state,
            mark=MARKS[state],
            word=WORDS[state],
            value=said(measured(body)) if body else "",
            uncertainty=plus_minus(body) if body else "",
            limits=_limits(step, steps, body),
            source=self._number(said(str(source))) if source else None,
            rule=_rule(body),
            inside=inside(body),
            time=self.clock.time(at.utc_ns) if at else "",
            why=_why(step, counts, judged),
            earlier=[*self._earlier(judged, answer, counts)],
            touches=[each for each, _ in touched],
            retouches=[
                f"{self.clock.time(touch.event.at.utc_ns)} {said(measured(touch.event.body))}".strip()
                for _, touch in touched
                if touch.event.body["outcome"] == TouchOutcome.RETOUCH
            ],
        )

    def _number(self, source: str) -> int:
        return self.sources.setdefault(source, len(self.sources) + 1)

    def _earlier(self, judged: Judged | None, answer: Event | None, counts: Judged | None) -> Iterator[str]:
        old = () if judged is None else judged.verdicts if counts is None else judged.verdicts[:-1]
        for event in old:
            body = event.body
            told = f"{body['outcome']} {measured(body)}".strip()
            yield said(f"{self.clock.time(event.at.utc_ns)} {told}: {body['reason']}")
        if answer is not None and counts is not None:
            yield said(f"{self.clock.time(answer.at.utc_ns)} answered {answer.body['answer']}")


def _headings(procedure: Procedure) -> Mapping[str, str]:
    """By the id of the step that they begin with: the titles of groups, outer ones first."""
    found: dict[str, list[str]] = {}
    for group in procedure.groups:
        for first in group.steps[:1]:
            found.setdefault(first, []).append(group.title)
    return {step: said(": ".join(titles)) for step, titles in found.items()}


def _state(counts: Judged | None, answer: Event | None) -> str:
    if answer is not None:
        return "yes" if answer.body["answer"] == "yes" else "no"
    return counts.outcome.value if counts else "open"


def _limits(step: Step | None, steps: Sequence[Step], body: Json) -> list[str]:
    """Those it was judged by; for a step without a verdict those of the procedure."""
    if body.get("limits"):
        return [said(str(body["limits"]))]
    if step is None:
        return []
    return [said(f"{word} {text}" if word else text) for word, text in kind_on_paper(step, steps).limits]


def _rule(body: Json) -> str:
    if "rule" not in body:
        return ""
    factor = body.get("coverage_factor")
    return said(f"{body['rule']}, k = {factor:.3g}" if isinstance(factor, float) else str(body["rule"]))


def _why(step: Step | None, counts: Judged | None, judged: Judged | None) -> str:
    """Why it is no pass, a pass in doubt, or one that value and limits do not tell whole."""
    if counts is None:
        return "To be proved again." if judged else ""
    last = counts.last
    if counts.outcome is VerdictOutcome.PASS and not last.get("advice") and isinstance(step, ReadingStep | AgreeStep):
        return ""  # the value and its limits say it
    return said(" ".join(str(text) for text in (last["reason"], last.get("advice")) if text))


def listed(sources: Mapping[str, int]) -> Iterable[dict[str, object]]:
    """The sources of limits with their numbers."""
    return ({"number": number, "text": text} for text, number in sources.items())
