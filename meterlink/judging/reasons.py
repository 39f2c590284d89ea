"""Why a value came to its outcome, in one sentence for the technician."""

from collections.abc import Collection
from decimal import Decimal

from meterlink.judging.rules import Decision, Rule
from meterlink.judging.words import exactly, uncertainty
from meterlink.limits import Limits
from meterlink.outcome import VerdictOutcome
from meterlink.reading import plain

_WORDS = {
    VerdictOutcome.PASS: "pass",
    VerdictOutcome.FAIL: "fail",
    VerdictOutcome.UNCLEAR: "too close to call",
}


def plainly(outcome: VerdictOutcome, limits: Limits) -> str:
    """Say that a value is inside or outside, and no more."""
    if not limits.numbers:
        return "Open, as it is to be." if outcome is VerdictOutcome.PASS else "Not open, as it is to be."
    return f"{'Inside' if outcome is VerdictOutcome.PASS else 'Outside'} {limits.span or limits.text}."


def wavering(outcomes: Collection[VerdictOutcome]) -> str:
    """Say that the display shows now one side of a border, now the other."""
    sides = " and ".join(_WORDS[outcome] for outcome in VerdictOutcome if outcome in outcomes)
    return f"The display wavers between {sides}."


def uncovered(value: Decimal, unit: str, function: str) -> str:
    """Say that nothing is known of a value's uncertainty, which the rule needs."""
    return f"No accuracy sheet covers {plain(value)} {unit} in {function}: nothing is judged."


def reason(
    value: Decimal, unit: str, outcome: VerdictOutcome, limits: Limits, decision: Decision, *, expanded: Decimal
) -> str:
    """Say why a value came to its outcome.

    Args:
        value: what was read, in `unit`.
        unit: SenML unit, without prefix.
        outcome: what it came to.
        limits: what is accepted.
        decision: the rule.
        expanded: the expanded uncertainty.
    """
    allowed, may_be_off = decision.allowed(limits), uncertainty(expanded, unit)
    margin, within = limits.margin(value), limits.accept(value)
    if margin is None:
        return plainly(outcome, limits)
    if decision.rule is Rule.SIMPLE:
        if outcome is VerdictOutcome.UNCLEAR and allowed is not None:
            return f"The meter may be off by {may_be_off}; this step allows {uncertainty(allowed, unit)}."
        return plainly(outcome, limits)
    span = limits.span or limits.text
    near = f"{exactly(margin, unit)} {'inside' if within else 'outside'} {span}"
    near = near if margin else f"Just at a limit of {span}"
    if outcome is VerdictOutcome.UNCLEAR:
        return f"{near}, but the meter may be off by {may_be_off}: too close to call."
    if decision.rule is Rule.GUARDED_REJECTION and outcome is VerdictOutcome.PASS:
        unproven = f"{near}, but the meter may be off by {may_be_off}: no fault is proven."
        return plainly(outcome, limits) if within else unproven
    less = uncertainty(expanded, unit, below=margin)
    return f"{plainly(outcome, limits)[:-1]}, by more than the {less} that the meter may be off."
