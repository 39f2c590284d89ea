"""A judgement by itself: as lines for people, and as JSON."""

from collections.abc import Iterator
from decimal import ROUND_HALF_EVEN, Decimal

from meterlink.judging.judge import Judgement
from meterlink.judging.words import rounded, share
from meterlink.limits import Limits
from meterlink.outcome import Json, Measured

_FEW = 10
"""Degrees of freedom below which k = 2 covers clearly less than 95 % (GUM G.6.4)."""


def judgement_json(measured: Measured, judgement: Judgement, limits: Limits) -> Json:
    """Write a judgement as `judge --json` prints it: a public contract."""
    return {
        "outcome": judgement.outcome.value,
        **measured.as_json(),
        "limits": limits.text,
        "reason": judgement.reason,
        **judgement.assessment.as_json(),
    }


def judgement_lines(measured: Measured, judgement: Judgement, limits: Limits) -> Iterator[str]:
    """Write a judgement for people: the budget line by line, the verdict, the probability."""
    made, unit = judgement.assessment, measured.unit
    yield f"{measured}, limits {limits.text}, rule {made.rule}"
    if made.sheet is not None:
        default = ", a cautious default: nothing is known of the meter" if made.cautious_default else ""
        yield f"accuracy sheet {made.sheet}, range {made.range}{default}"
    if made.standard_uncertainty is not None and made.expanded_uncertainty is not None:
        yield ""
        width = max(len(line.name) for line in made.budget)
        for line in made.budget:
            yield f"  {line.name:<{width}}  {_three(line.standard_uncertainty):>10} {unit}  {line.about}"
        yield f"  {'standard':<{width}}  {_three(made.standard_uncertainty):>10} {unit}  root of the sum of squares"
        dof = "" if made.dof is None else f", {int(made.dof)} effective degrees of freedom"
        factor = f"k = {made.coverage_factor:.4g}{dof}"
        few = made.dof is not None and made.dof < _FEW and made.coverage_factor == 2
        yield f"  {'expanded':<{width}}  {_three(made.expanded_uncertainty):>10} {unit}  {factor}"
        if few:
            yield "  With so few readings k = 2 covers less than 95 %; state a coverage."
        if made.cancelled:
            gone = made.cancelled
            yield f"  cancels: {gone.name}, {_three(gone.standard_uncertainty)} {unit}"
    yield ""
    yield f"{judgement.outcome.value.upper()}. {judgement.reason}"
    if made.advice:
        yield made.advice
    if made.probability is not None:
        yield f"The true value lies inside the limits with a probability of {share(made.probability)}."
    yield "A judgement of one reading, not a permit to use the lift."


def _three(value: Decimal) -> str:
    return rounded(value, ROUND_HALF_EVEN, 3)
