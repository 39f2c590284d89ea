"""Judges a time between two changes that a display showed. Pure."""

from decimal import Decimal

from meterlink.assessment import Assessment, BudgetLine
from meterlink.judging.distribution import inside
from meterlink.judging.judge import Judgement
from meterlink.judging.reasons import reason
from meterlink.judging.rules import Decision, zones
from meterlink.judging.uncertainty import Component, Shape, combined, rectangular
from meterlink.limits import Limits
from meterlink.reading import NS_PER_S

_MS = Decimal("0.001")


def judge_time(took_ns: int, within_ns: tuple[int, int], limits: Limits, decision: Decision) -> Judgement:
    """Judge the time from the middle of one change to the middle of the other.

    Each change happened somewhere between two updates of the display, anywhere as likely (GUM 4.3.7). A display lags
    behind what it shows; a lag that is the same both times falls out of the difference, and nothing is known of one
    that is not, so the budget does not hold it.

    Args:
        took_ns: in nanoseconds.
        within_ns: how far apart the two updates around each change were, in nanoseconds.
        limits: in seconds.
        decision: the rule.
    """
    took = in_seconds(took_ns)
    parts = [
        rectangular(f"{which} change", in_seconds(within) / 2, f"between two updates {in_seconds(within)} s apart")
        for which, within in zip(("first", "second"), within_ns, strict=True)
    ]
    standard, factor = combined(parts), decision.factor(None)
    # No error can be larger than both halves together, whatever the factor.
    expanded = min(standard * factor, sum((part.half_width for part in parts), Decimal(0)))
    outcome = zones(limits, decision, expanded).outcome(took)
    normal = [Component("all", standard, Shape.NORMAL)]
    assessment = Assessment(
        rule=decision.rule.value,
        standard_uncertainty=standard,
        expanded_uncertainty=expanded,
        coverage_factor=factor,
        dof=None,
        probability=inside(parts, took, limits.low, limits.high),
        probability_normal=inside(normal, took, limits.low, limits.high),
        budget=tuple(BudgetLine(part.name, part.standard_uncertainty, part.about) for part in parts),
        cancelled=None,
        sheet=None,
        cautious_default=False,
        range=None,
        max_uncertainty=decision.allowed(limits),
        advice=None,
    )
    why = reason(took, "s", outcome, limits, decision, expanded=expanded)
    return Judgement(outcome, why, assessment, None)


def in_seconds(ns: int) -> Decimal:
    """Turn nanoseconds into seconds, to the millisecond."""
    return (Decimal(ns) / NS_PER_S).quantize(_MS)
