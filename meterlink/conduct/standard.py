"""What a step is judged by: its limits worked out, its rule, the meter in hand, the reading that it refers to. Pure."""

from dataclasses import dataclass, field
from decimal import Decimal

from meterlink.conduct.course import Course
from meterlink.conduct.touching import Judged
from meterlink.findings import dead, last_live
from meterlink.instrument import Instrument
from meterlink.judging.budget import Budget
from meterlink.judging.judge import Judge
from meterlink.limits import Limits
from meterlink.outcome import Measured, Verdict, VerdictOutcome
from meterlink.procedure.model import AgreeStep, MeasuredStep, Procedure, ReadingStep, Step, partner_of
from meterlink.procedure.relative import relative_limits


@dataclass(slots=True)
class Standard:
    """Judges the steps of one job."""

    procedure: Procedure
    course: Course
    instrument: Instrument | None = None
    """The meter in hand; None while nothing is known of it."""
    _budgets: dict[str, Budget] = field(default_factory=dict)
    """The uncertainty of the last touch judged for each step, for limits that refer to it."""

    def limits(self, step: Step) -> Limits | None:
        """The limits of a reading, worked out; None for a step that is no reading."""
        if not isinstance(step, ReadingStep | AgreeStep):
            return None
        partner = partner_of(step, self.procedure.steps)
        if partner is None:
            return step.limits if isinstance(step, ReadingStep) else None
        return relative_limits(step, _value_of(self.course.verdicts.get(partner.id)))

    def judge(self, step: Step, limits: Limits | None) -> Judge | None:
        """What a step is judged by against limits; None for one that the meter does not judge."""
        if limits is None or not isinstance(step, MeasuredStep):
            return None
        partner = partner_of(step, self.procedure.steps)
        return Judge(
            limits=limits,
            decision=self.procedure.decision(step),
            instrument=self.instrument,
            partner=self._budgets.get(partner.id) if partner else None,
            share=step.limits.largest_share if isinstance(step, ReadingStep) else Decimal(0),
            source_ohms=step.source_resistance.value if step.source_resistance else None,
        )

    def verdict(self, step: MeasuredStep, judged: Judged) -> Verdict:
        """Write a judgement down; two dead points that agree prove nothing about what lies between them."""
        judgement = judged.judgement
        outcome, reason = judgement.outcome, judgement.reason
        partner = partner_of(step, self.procedure.steps)
        if partner is not None and outcome is VerdictOutcome.PASS and dead(self.course.verdicts.get(partner.id)):
            outcome, reason = VerdictOutcome.UNCLEAR, f"Nothing on either side: look upstream of {step.point}."
        elif outcome is VerdictOutcome.FAIL and _too_low(judged.measured, judged.limits):
            live = last_live(self.procedure, self.course.verdicts, step)
            reason += f" The last good point is {live.point}." if live else ""
        if judgement.budget is None:
            self.forget(step.id)
        else:
            self._budgets[step.id] = judgement.budget
        return Verdict(
            step.id,
            outcome,
            judged.measured,
            judged.limits.text,
            judged.confirmed,
            reason,
            judged.at,
            step.source,
            judgement.assessment,
        )

    def forget(self, step_id: str) -> None:
        """A step is to be judged anew: nothing may refer to what it read."""
        self._budgets.pop(step_id, None)


def _too_low(measured: Measured, limits: Limits) -> bool:
    return measured.value is not None and abs(measured.value) < limits.nearest_zero


def _value_of(verdict: Verdict | None) -> Measured | None:
    return verdict.measured if verdict else None
