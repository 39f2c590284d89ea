"""The way through a procedure: which steps apply, which is next, what is proved again. Pure.

Every step ends in a verdict, an answer, or in `not-applicable` with its reason, so that complete means all of them.
"""

from collections import Counter
from collections.abc import Iterable, Iterator

from meterlink.outcome import Cue, Outcome, Reopened, Verdict, VerdictOutcome
from meterlink.procedure.model import AskStep, DeadStep, Procedure, Step
from meterlink.reading import Instant

MOST_ROUNDS = 3
"""How often a step may lead back, before the job stops: what three adjustments do not mend needs another look (common
practice, no source)."""


class Course:
    """What the steps have come to so far."""

    def __init__(self, procedure: Procedure) -> None:
        self._steps = procedure.steps
        self._places = {step.id: index for index, step in enumerate(procedure.steps)}
        self._leading = [(step, step.goes_to) for step in procedure.steps if step.goes_to is not None]
        self.verdicts: dict[str, Verdict] = {}
        """The last verdict of each step judged so far, passed over ones too."""
        self.answers: dict[str, bool] = {}
        """By the id of the step that asked: yes or no."""
        self._rounds: Counter[str] = Counter()

    @property
    def missing(self) -> tuple[str, ...]:
        """The steps that are still to be judged or answered."""
        return tuple(step.id for step in self._steps if not self.done(step))

    def done(self, step: Step) -> bool:
        """Tell whether a step has come to something."""
        return step.id in (self.answers if isinstance(step, AskStep) else self.verdicts) or self.passed_over(step)

    def passed_over(self, step: Step) -> bool:
        """Tell whether a step does not apply."""
        known = self.verdicts.get(step.id)
        return known is not None and known.outcome is VerdictOutcome.NOT_APPLICABLE

    def place(self, step_id: str) -> int:
        """Where a step stands."""
        return self._places[step_id]

    def first_open(self) -> int | None:
        """The first step that is to be judged or answered; None where all are."""
        return next((index for index, step in enumerate(self._steps) if not self.done(step)), None)

    def before(self, index: int) -> int:
        """The step to go back to from a place: the nearest before it that applies, or else the place itself."""
        return next((at for at in range(index - 1, -1, -1) if not self.passed_over(self._steps[at])), index)

    def settle(self, at: Instant) -> Iterator[Outcome]:
        """Say which steps do not apply as things stand, and which do again."""
        again: list[str] = []
        passed: list[str] = []
        for step in self._steps:
            why = self._why_not(step)
            if why is None:
                if self.passed_over(step):
                    del self.verdicts[step.id]
                    again.append(step.id)
            elif not self.passed_over(step):
                self.answers.pop(step.id, None)
                self.verdicts[step.id] = Verdict(step.id, VerdictOutcome.NOT_APPLICABLE, None, None, False, why, at)
                passed.append(step.id)
                yield self.verdicts[step.id]
        if again:
            yield Reopened(tuple(again), "They apply again.", at)
        if passed:
            many = f"{len(passed)} steps do" if len(passed) > 1 else f"{passed[0]} does"
            yield Cue("not-applicable", f"{many} not apply.", None, at)

    def reopen(self, steps: Iterable[str], reason: str, at: Instant) -> Iterator[Reopened]:
        """Have steps proved again that came to something; nothing is said where none did."""
        again = [
            step for step in steps if step in self.verdicts and not self.passed_over(self._steps[self.place(step)])
        ]
        for step in again:
            del self.verdicts[step]
        if again:
            yield Reopened(tuple(again), reason, at)

    def prove_again_on_a_new_visit(self, at: Instant) -> Iterator[Reopened]:
        """Have proved again what holds for one visit only."""
        of_the_visit = [step.id for step in self._steps if isinstance(step, DeadStep) or step.holds == "visit"]
        yield from self.reopen(of_the_visit, "A new visit: what is dead or isolated is proved anew.", at)

    def turn_back(self, step: Step, at: Instant) -> Iterator[Reopened] | None:
        """Go back from a step to the one that it leads to; None where it has done so often enough."""
        assert step.goes_to is not None  # noqa: S101 - only called then
        self._rounds[step.id] += 1
        if self._rounds[step.id] > MOST_ROUNDS:
            return None
        between = self._steps[self.place(step.goes_to) : self.place(step.id) + 1]
        return self.reopen([each.id for each in between], f"{step.id} leads back to {step.goes_to}.", at)

    def _why_not(self, step: Step) -> str | None:
        """Why a step does not apply; None where it does, or that is not known yet."""
        for condition in step.if_:
            asked = self._steps[self.place(condition.ask)]
            if self.passed_over(asked):
                return f"{condition.ask} does not apply."
            answer = self.answers.get(condition.ask)
            if answer is not None and answer is not condition.yes:
                return f"{condition.ask} was answered {'yes' if answer else 'no'}."
        if self.done(step) and not self.passed_over(step):
            return None
        here = self.place(step.id)
        for earlier, target in self._leading:
            verdict = self.verdicts.get(earlier.id)
            leads_on = self.place(earlier.id) < here < self.place(target)
            if leads_on and verdict is not None and _not_passed(verdict):
                return f"{earlier.id} did not pass and leads to {target}."
        return None


def _not_passed(verdict: Verdict) -> bool:
    return verdict.outcome in (VerdictOutcome.FAIL, VerdictOutcome.UNCLEAR)
