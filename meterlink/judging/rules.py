"""Decision rules: from limits and an expanded uncertainty to the borders between pass, too close to call and fail.

After JCGM 106:2012, clause 8, and ILAC-G8:09/2019, clause 4.2. The guard band is the expanded uncertainty. Ends belong
to the span they end: a value on a border of the accepted span is accepted.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum

from meterlink.judging.distribution import coverage_factor
from meterlink.limits import Limits
from meterlink.outcome import VerdictOutcome

_MANY = 10_000
"""More degrees of freedom than this are as good as infinitely many."""


class Rule(StrEnum):
    """How the uncertainty enters the decision."""

    SIMPLE = "simple"
    """Pass inside the limits, fail outside; too close to call where the uncertainty is above what is allowed."""
    GUARDED = "guarded"
    """Pass inside the limits shrunk by the guard band, fail outside the limits grown by it, too close between."""
    GUARDED_REJECTION = "guarded-rejection"
    """Fail only outside the limits grown by the guard band, so only where the fault is proven; pass otherwise."""


@dataclass(frozen=True, slots=True)
class Decision:
    """The decision rule of a step, in full."""

    rule: Rule = Rule.SIMPLE
    coverage_factor: Decimal = Decimal(2)
    """k, where no coverage is stated."""
    coverage: Decimal | None = None
    """The share to cover instead, such as 0.95; k then follows from the effective degrees of freedom."""
    max_uncertainty: Decimal | None = None
    """The largest expanded uncertainty that simple acceptance allows, in `max_unit`."""
    max_unit: str | None = None
    """SenML unit, or % of the width between the limits (of the limit's own magnitude where there is but one)."""

    def factor(self, dof: int | None) -> Decimal:
        """The coverage factor for so many whole degrees of freedom; None for infinitely many."""
        if self.coverage is None:
            return self.coverage_factor
        return coverage_factor(self.coverage, None if dof is None or dof > _MANY else dof)

    def allowed(self, limits: Limits) -> Decimal | None:
        """The largest expanded uncertainty allowed for these limits, in their unit; None where any is."""
        if self.max_uncertainty is None or self.max_unit != "%" or limits.unit == "%":
            return self.max_uncertainty
        ends = [end for end in (limits.low, limits.high) if end is not None]
        if not ends:
            return None
        width = max(ends) - min(ends) if len(ends) == 2 else abs(ends[0])
        return width * self.max_uncertainty / 100


@dataclass(frozen=True, slots=True)
class Zones:
    """Where pass and fail begin, for one expanded uncertainty; too close to call lies between."""

    pass_low: Decimal | None
    pass_high: Decimal | None
    fail_low: Decimal | None
    """Below it a value fails."""
    fail_high: Decimal | None
    """Above it a value fails."""
    always: VerdictOutcome | None = None
    """What every value comes to: unclear, where the uncertainty is larger than the rule allows; fail, where only OL is
    accepted; None where it depends on the value."""

    def outcome(self, value: Decimal) -> VerdictOutcome:
        """What a value comes to."""
        if self.always is not None:
            return self.always
        if _outside(value, self.fail_low, self.fail_high):
            return VerdictOutcome.FAIL
        if _outside(value, self.pass_low, self.pass_high):
            return VerdictOutcome.UNCLEAR
        return VerdictOutcome.PASS

    def distance(self, value: Decimal) -> Decimal | None:
        """How far a value lies from the nearest border to another outcome; None where there is none."""
        return min((abs(value - border) for border in self._borders()), default=None)

    def ahead(self, value: Decimal, *, upward: bool) -> Decimal | None:
        """How far the next border lies from a value in one direction; None where there is none."""
        away = (border - value if upward else value - border for border in self._borders())
        return min((each for each in away if each >= 0), default=None)

    def _borders(self) -> Iterator[Decimal]:
        if self.always is None:
            yield from (
                border
                for border in (self.pass_low, self.pass_high, self.fail_low, self.fail_high)
                if border is not None
            )


def zones(limits: Limits, decision: Decision, expanded: Decimal) -> Zones:
    """Work out where pass and fail begin.

    Args:
        limits: what is accepted, in the unit of the value, not relative to another reading.
        decision: the rule.
        expanded: the expanded uncertainty of the value, in the same unit.
    """
    low, high = limits.low, limits.high
    if not limits.numbers:
        return Zones(low, high, low, high, always=VerdictOutcome.FAIL)
    if decision.rule is Rule.SIMPLE:
        allowed = decision.allowed(limits)
        too_large = allowed is not None and expanded > allowed
        return Zones(low, high, low, high, always=VerdictOutcome.UNCLEAR if too_large else None)
    grown_low, grown_high = _moved(low, -expanded), _moved(high, expanded)
    if decision.rule is Rule.GUARDED_REJECTION:
        return Zones(grown_low, grown_high, grown_low, grown_high)
    return Zones(_moved(low, expanded), _moved(high, -expanded), grown_low, grown_high)


def _moved(end: Decimal | None, by: Decimal) -> Decimal | None:
    return None if end is None else end + by


def _outside(value: Decimal, low: Decimal | None, high: Decimal | None) -> bool:
    return (low is not None and value < low) or (high is not None and value > high)
