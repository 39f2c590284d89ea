"""What a verdict rests on besides the value: its uncertainty, line by line, the rule, and how likely it is right."""

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal


@dataclass(frozen=True, slots=True)
class BudgetLine:
    """One line of an uncertainty budget, as it is kept and shown."""

    name: str
    standard_uncertainty: Decimal
    about: str

    def as_json(self) -> Mapping[str, object]:
        """Name, standard uncertainty, where it comes from."""
        return {"name": self.name, "standard_uncertainty": float(self.standard_uncertainty), "about": self.about}


@dataclass(frozen=True, slots=True)
class Assessment:
    """How a value was judged. Uncertainties are in the unit of the value."""

    rule: str
    standard_uncertainty: Decimal | None
    """None where nothing is known of it, as for OL."""
    expanded_uncertainty: Decimal | None
    coverage_factor: Decimal
    dof: Decimal | None
    """Effective degrees of freedom; None for infinitely many."""
    probability: float | None
    """That the true value lies inside the limits, given the reading and nothing else."""
    probability_normal: float | None
    """The same if the error were normal, as textbooks take it."""
    budget: tuple[BudgetLine, ...]
    cancelled: BudgetLine | None
    """In a comparison of two touches: the error that both share, which is not in the budget."""
    sheet: str | None
    """The accuracy sheet that was used."""
    cautious_default: bool
    """Whether that is the cautious default."""
    range: str | None
    """The meter's range, such as `40 V`."""
    max_uncertainty: Decimal | None
    """The largest expanded uncertainty that the rule allows, where it allows but so much."""
    advice: str | None
    """What would resolve a value that is too close to call."""

    def as_json(self) -> Mapping[str, object]:
        """The keys that a verdict carries for it: a public contract."""
        return {
            "rule": self.rule,
            "standard_uncertainty": _number(self.standard_uncertainty),
            "expanded_uncertainty": _number(self.expanded_uncertainty),
            "coverage_factor": float(self.coverage_factor),
            "degrees_of_freedom": _number(self.dof),
            "probability": self.probability,
            "probability_normal": self.probability_normal,
            "budget": [line.as_json() for line in self.budget],
            "cancelled": self.cancelled.as_json() if self.cancelled else None,
            "sheet": self.sheet,
            "cautious_default": self.cautious_default,
            "range": self.range,
            "max_uncertainty": _number(self.max_uncertainty),
            "advice": self.advice,
        }


def _number(value: Decimal | None) -> float | None:
    return None if value is None else float(value)
