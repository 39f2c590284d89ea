"""How a reading is judged by hand, on paper: the decision rules in words. Pure."""

from math import sqrt

from meterlink.judging.rules import Decision, Rule
from meterlink.reading import plain

_RULES = {
    Rule.SIMPLE: "A reading inside the limits, ends included, passes; one outside fails.",
    Rule.GUARDED: (
        "A reading passes only inside the limits by more than the meter's expanded uncertainty, and fails only outside "
        "them by more than that; between, it is unclear."
    ),
    Rule.GUARDED_REJECTION: (
        "A reading fails only outside the limits by more than the meter's expanded uncertainty; else it passes, which "
        "says that no fault is proven."
    ),
}


def judged_by(decision: Decision) -> str:
    """The rule in words, with the uncertainty that it takes."""
    text = f"Rule {rule_of(decision)}. {_RULES[decision.rule]}"
    if decision.rule is Rule.SIMPLE:
        if decision.max_uncertainty is None:
            return text
        text += " With a larger expanded uncertainty than that, nothing is clear."
    return f"{text} {_uncertainty(decision)}"


def rule_of(decision: Decision) -> str:
    """The rule by its name, with what it states of the uncertainty."""
    if decision.rule is not Rule.SIMPLE:
        return f"{decision.rule}, {_covered(decision)}"
    if decision.max_uncertainty is None:
        return f"{decision.rule}"
    unit = "% of the width between the limits" if decision.max_unit == "%" else decision.max_unit
    return f"{decision.rule}, {_covered(decision)}, at most {plain(decision.max_uncertainty)} {unit}"


def _covered(decision: Decision) -> str:
    if decision.coverage is not None:
        return f"coverage {plain((decision.coverage * 100).normalize())} %"
    return f"k = {plain(decision.coverage_factor)}"


def _uncertainty(decision: Decision) -> str:
    """What to take for the expanded uncertainty without a computer.

    A limit of error counts as rectangular, so its standard uncertainty is the limit divided by √3 (JCGM 100, 4.3.7).
    """
    share = float(decision.factor(None)) / sqrt(3)
    return (
        f"Expanded uncertainty, {_covered(decision)}: about {share:.2f} times the limit of error that the meter's data "
        "sheet gives, ±(% of the reading + counts)."
    )
