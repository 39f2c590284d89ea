"""Judges a settled touch: budget, rule, outcome, probability, and what to do where it is too close to call. Pure."""

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal

from meterlink.assessment import Assessment, BudgetLine
from meterlink.instrument import Instrument
from meterlink.judging.advice import Case, advice
from meterlink.judging.budget import Budget, Shown, budget_of, shown
from meterlink.judging.difference import difference
from meterlink.judging.distribution import inside
from meterlink.judging.reasons import plainly, reason, uncovered, wavering
from meterlink.judging.rules import Decision, Rule, Zones, zones
from meterlink.judging.uncertainty import Component, Shape, effective_dof, whole_dof
from meterlink.judging.words import size
from meterlink.limits import Limits
from meterlink.outcome import VerdictOutcome
from meterlink.reading import Reading


@dataclass(frozen=True, slots=True)
class Judgement:
    """What a value came to, and why."""

    outcome: VerdictOutcome
    reason: str
    """One sentence on why, in the technician's words."""
    assessment: Assessment
    budget: Budget | None
    """That of the touch by itself, for a later one to be compared with; None where nothing is known of the meter."""


@dataclass(frozen=True, slots=True)
class _Known:
    """What is known of the uncertainty of a value, by which it is judged."""

    budget: Budget
    """Of the touch by itself, or of its difference to the partner's touch."""
    expanded: Decimal
    factor: Decimal
    dof: Decimal | None


@dataclass(frozen=True, slots=True)
class Judge:
    """Everything that one step's verdict rests on, but for the readings."""

    limits: Limits
    """Worked out: not relative to another reading."""
    decision: Decision
    instrument: Instrument | None
    """None: nothing is known of the meter's uncertainty, not even a default."""
    partner: Budget | None = None
    """The touch that the limits refer to; None for limits of their own."""
    share: Decimal = Decimal(0)
    """By what share of the partner's reading the limits lie beside it."""
    source_ohms: Decimal | None = None
    """The circuit's source resistance at the point, at most; None where it is not known."""

    def zones(self, window: Sequence[Reading]) -> Zones:
        """Where pass and fail begin for these readings, which show numbers."""
        return self._zones(self._known(self._own(shown(window))))

    def expanded(self, window: Sequence[Reading]) -> Decimal | None:
        """By how much readings that show numbers may be off, in their unit; None where nothing is known of it."""
        known = self._known(self._own(shown(window)))
        return known.expanded if known else None

    def judge(self, window: Sequence[Reading]) -> Judgement:
        """Judge readings that show numbers and stand still, oldest first; on two sides of a border they are unclear."""
        return self.judge_shown(shown(window), [reading.value for reading in window if reading.value is not None])

    def judge_shown(self, seen: Shown, values: Sequence[Decimal] = ()) -> Judgement:
        """Judge what a display showed.

        Args:
            seen: in sum.
            values: reading by reading, where there are several.
        """
        own = self._own(seen)
        known = self._known(own)
        borders = self._zones(known)
        outcomes = {borders.outcome(value) for value in (seen.value, *values)}
        outcome = VerdictOutcome.UNCLEAR if len(outcomes) > 1 else borders.outcome(seen.value)
        if len(outcomes) > 1:
            why = wavering(outcomes)
        elif known is not None:
            why = reason(seen.value, seen.unit, outcome, self.limits, self.decision, expanded=known.expanded)
        elif outcome is VerdictOutcome.UNCLEAR:
            bare = self.partner.shown if own and own.range and self.partner else seen
            why = uncovered(bare.value, bare.unit, bare.function)
        else:
            why = plainly(outcome, self.limits)
        hint = self._advice(seen, known) if outcome is VerdictOutcome.UNCLEAR else self._doubt(seen, outcome)
        return Judgement(outcome, why, self._assessment(seen, known, hint), own)

    def outcome(self, seen: Shown) -> tuple[VerdictOutcome, Budget | None]:
        """What a display comes to by the rule alone, and its budget: no probability, no words, and so in no time."""
        own = self._own(seen)
        return self._zones(self._known(own)).outcome(seen.value), own

    def judge_overload(self, unit: str, more_than: Decimal | None) -> Judgement:
        """Judge a display that shows OL: more than its range holds, which no uncertainty blurs, and nothing else.

        Args:
            unit: of the range, SenML.
            more_than: the end of the range at least; None where nothing is known of it.
        """
        low, high = self.limits.low, self.limits.high
        border = low if high is None else high
        if border is None:
            outcome = VerdictOutcome.PASS if self.limits.overload else VerdictOutcome.FAIL
        elif more_than is None or more_than < border:
            proved = "an unknown value" if more_than is None else f"more than {size(more_than, unit)}"
            why = f"OL proves {proved} on this range, and the limits are {self.limits.text}."
            hint = "Use a higher range, let the meter choose it, or state the meter's sheet."
            return Judgement(VerdictOutcome.UNCLEAR, why, self._assessment(None, None, hint), None)
        else:
            outcome = VerdictOutcome.PASS if high is None else VerdictOutcome.FAIL
        return Judgement(outcome, plainly(outcome, self.limits), self._assessment(None, None, None), None)

    def _own(self, seen: Shown) -> Budget | None:
        return None if self.instrument is None else budget_of(seen, self.instrument, self.source_ohms)

    def _known(self, own: Budget | None) -> _Known | None:
        """Work out the uncertainty that the value is judged by; None where a sheet covers it, or its partner, not."""
        if own is None or own.range is None or (self.partner is not None and self.partner.range is None):
            return None
        budget = own if self.partner is None else difference(own, self.partner, self._factor(own.shown.value))
        dof = effective_dof(budget.components)
        factor = self.decision.factor(whole_dof(dof))
        return _Known(budget, budget.standard * factor, factor, dof)

    def _factor(self, value: Decimal) -> Decimal:
        """How many times the partner's reading the limit is that lies nearer to a value."""
        low, high = self.limits.low, self.limits.high
        nearer_low = high is None or (low is not None and abs(value - low) <= abs(value - high))
        return 1 - self.share if nearer_low else 1 + self.share

    def _zones(self, known: _Known | None) -> Zones:
        if known is not None or not self.limits.numbers:
            return zones(self.limits, self.decision, known.expanded if known else Decimal(0))
        low, high = self.limits.low, self.limits.high
        needed = self.decision.rule is not Rule.SIMPLE or self.decision.max_uncertainty is not None
        return Zones(low, high, low, high, always=VerdictOutcome.UNCLEAR if needed else None)

    def _outcome_of(self, seen: Shown) -> VerdictOutcome:
        return self._zones(self._known(self._own(seen))).outcome(seen.value)

    def _advice(self, seen: Shown, known: _Known | None) -> str:
        if known is None or self.instrument is None:
            return "State the meter's accuracy sheet, or choose a range that it covers."
        case = Case(seen, known.budget, self.instrument, self.limits, self.decision, known.factor, self._outcome_of)
        return advice(case)

    def _doubt(self, seen: Shown, outcome: VerdictOutcome) -> str | None:
        """What to do about a value that passes although it lies outside."""
        outside = outcome is VerdictOutcome.PASS and not self.limits.accept(seen.value)
        return "Nor is it proven sound: repeat with a better meter." if outside else None

    def _assessment(self, seen: Shown | None, known: _Known | None, hint: str | None) -> Assessment:
        budget = known.budget if known else None
        probability, probability_normal = self._probabilities(seen, budget)
        return Assessment(
            rule=self.decision.rule.value,
            standard_uncertainty=budget.standard if budget else None,
            expanded_uncertainty=known.expanded if known else None,
            coverage_factor=known.factor if known else self.decision.factor(None),
            dof=known.dof if known else None,
            probability=probability,
            probability_normal=probability_normal,
            budget=tuple(map(_line, budget.components)) if budget else (),
            cancelled=_line(budget.cancelled) if budget and budget.cancelled else None,
            sheet=budget.sheet if budget else None,
            cautious_default=budget.cautious if budget else False,
            range=size(budget.range.full, budget.shown.unit) if budget and budget.range else None,
            max_uncertainty=self.decision.allowed(self.limits),
            advice=hint,
        )

    def _probabilities(self, seen: Shown | None, budget: Budget | None) -> tuple[float | None, float | None]:
        """That the true value lies inside the limits, by the budget's own errors and by a normal one in their place."""
        if seen is None or budget is None:
            return None, None
        if not self.limits.numbers:
            return 0.0, 0.0
        low, high = self.limits.low, self.limits.high
        normal = [Component("all", budget.standard, Shape.NORMAL)]
        return inside(budget.components, seen.value, low, high), inside(normal, seen.value, low, high)


def _line(component: Component) -> BudgetLine:
    return BudgetLine(component.name, component.standard_uncertainty, component.about)
