"""Uncertainty by the GUM (JCGM 100:2008): components, how they combine, degrees of freedom.

Decimal arithmetic throughout: what stands at a limit is not moved by binary rounding, and any machine gets the same.
"""

import statistics
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum

_SQRT_3 = Decimal(3).sqrt()
_HAIR = Decimal("1e-9")


class Shape(StrEnum):
    """How a component's error is spread."""

    RECTANGULAR = "rectangular"
    """Limits of error, any value between them as likely as any other."""
    NORMAL = "normal"
    STUDENT = "student"
    """The mean of few readings: Student's t with the component's degrees of freedom (JCGM 101:2008, 6.4.9)."""


@dataclass(frozen=True, slots=True)
class Component:
    """One line of an uncertainty budget."""

    name: str
    standard_uncertainty: Decimal
    """In the unit of the value, never negative."""
    shape: Shape
    about: str = ""
    """Where it comes from, for people."""
    dof: int | None = None
    """Degrees of freedom; None where it is taken as certain (limits of error: GUM G.4.3)."""

    @property
    def half_width(self) -> Decimal:
        """Half the width of a rectangular component."""
        return self.standard_uncertainty * _SQRT_3


def rectangular(name: str, half_width: Decimal, about: str = "") -> Component:
    """Make a component of limits of error: u = a / √3 (GUM 4.3.7)."""
    return Component(name, half_width / _SQRT_3, Shape.RECTANGULAR, about)


def stated(name: str, expanded: Decimal, factor: Decimal, about: str = "") -> Component:
    """Make a component of an uncertainty that somebody states with its coverage factor: u = U / k (GUM 4.3.3)."""
    return Component(name, expanded / factor, Shape.NORMAL, about)


@dataclass(frozen=True, slots=True)
class Series:
    """Statistics of repeated readings (GUM 4.2)."""

    mean: Decimal
    deviation: Decimal
    """Experimental standard deviation of one reading, s; 0 for a single one."""
    count: int

    @property
    def of_mean(self) -> Decimal:
        """Standard deviation of the mean, s / √n."""
        return self.deviation / Decimal(self.count).sqrt()

    @property
    def dof(self) -> int:
        """Degrees of freedom, n - 1."""
        return self.count - 1


def series(values: Sequence[Decimal]) -> Series:
    """Work out the statistics of at least one reading, exactly and then rounded once."""
    deviation = statistics.stdev(values) if len(values) > 1 else Decimal(0)
    return Series(statistics.mean(values), deviation, len(values))


def combined(components: Iterable[Component]) -> Decimal:
    """Combine independent components: the root of the sum of squares (GUM 5.1.2)."""
    return sum((each.standard_uncertainty**2 for each in components), Decimal(0)).sqrt()


def propagated(sensitivities: Sequence[Decimal], covariances: Sequence[Sequence[Decimal]]) -> Decimal:
    """Propagate uncertainty through sensitivity coefficients, correlations kept (GUM 5.2.2, equation 13).

    Args:
        sensitivities: n coefficients, one an input.
        covariances: n rows of n; the diagonal holds the squared standard uncertainties.
    """
    total = sum(
        (
            one * other * covariance
            for one, row in zip(sensitivities, covariances, strict=True)
            for other, covariance in zip(sensitivities, row, strict=True)
        ),
        Decimal(0),
    )
    return max(total, Decimal(0)).sqrt()


def effective_dof(components: Iterable[Component]) -> Decimal | None:
    """Work out the effective degrees of freedom by Welch and Satterthwaite (GUM G.4.1); None for infinitely many."""
    known = list(components)
    finite = [each for each in known if each.dof is not None]
    share = sum((each.standard_uncertainty**4 / each.dof for each in finite if each.dof), Decimal(0))
    return combined(known) ** 4 / share if share else None


def whole_dof(dof: Decimal | None) -> int | None:
    """Truncate degrees of freedom downwards (GUM G.4.1), 1 at least; what rounding left just below a whole is it."""
    return None if dof is None else max(1, int(dof + _HAIR))
