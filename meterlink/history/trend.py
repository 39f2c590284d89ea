"""A straight line through values that were taken over time, and how sure its slope is. Pure.

Generalised least squares: each value with its own error, values of one meter with the error that they share. What
scatters beyond that from visit to visit (a bank's charge, the weather) is estimated from the residuals, as Mandel and
Paule do for laboratories (Paule and Mandel, J. Res. NBS 87, 377, 1982), so that the line explains the values as well as
it should, and never better. With equal errors it is ordinary least squares; the test of the slope is Student's t.
"""

from collections.abc import Hashable, Sequence
from dataclasses import dataclass
from math import fsum, sqrt

from meterlink.judging.distribution import beyond, quantile

COVERAGE = 0.95
"""Of every interval here."""

POWER = 0.8
"""How often a slope that is called visible would have been found significant."""

FEWEST = 3
"""Visits on different days, below which there is no slope: two points lie on a line whatever they are."""

_STEPS = 200
_CLOSE = 1e-12


@dataclass(frozen=True, slots=True)
class Sample:
    """One value at its time."""

    x: float
    """When, in years."""
    y: float
    own: float
    """Standard uncertainty of what this value shares with no other; above 0."""
    shared: float = 0.0
    """Standard uncertainty of what it shares with every other of its group, such as the meter's gain."""
    group: Hashable = None


@dataclass(frozen=True, slots=True)
class Line:
    """A line that was fitted: `y = level + slope (x - middle)`."""

    middle: float
    level: float
    slope: float
    """A year."""
    level_variance: float
    slope_variance: float
    covariance: float
    excess: float
    """Standard deviation of what scatters beyond the stated uncertainties; 0 where they explain it all."""
    count: int
    """How many values it goes through."""

    @property
    def dof(self) -> int:
        """Degrees of freedom: two are used up by the line."""
        return self.count - 2

    @property
    def slope_uncertainty(self) -> float:
        """Standard uncertainty of the slope."""
        return sqrt(self.slope_variance)

    @property
    def p(self) -> float:
        """How likely chance alone makes a slope at least as steep, either way (Student's t)."""
        return beyond(abs(self.slope) / self.slope_uncertainty, self.dof)

    @property
    def half_width(self) -> float:
        """Half the width of the interval that covers the slope."""
        return quantile((1 + COVERAGE) / 2, self.dof) * self.slope_uncertainty

    def visible(self, level: float) -> float:
        """How steep a slope would have had to be to be found significant at a level, `POWER` of the times.

        The usual approximation: the two quantiles of Student's t added, for the non-central distribution.
        """
        return (quantile(1 - level / 2, self.dof) + quantile(POWER, self.dof)) * self.slope_uncertainty

    def reaches(self, limit: float) -> "Crossing | None":
        """When the line reaches a limit, with the interval that covers the time (Fieller's theorem).

        None where the slope may as well be 0 or of the other sign: no interval would be finite.
        """
        quantile_squared = quantile((1 + COVERAGE) / 2, self.dof) ** 2
        miss = self.level - limit
        square = self.slope**2 - quantile_squared * self.slope_variance
        if square <= 0:
            return None
        linear = self.slope * miss - quantile_squared * self.covariance
        constant = miss**2 - quantile_squared * self.level_variance
        root = sqrt(max(linear**2 - square * constant, 0.0))
        early, late = sorted((-linear + sign * root) / square for sign in (-1, 1))
        return Crossing(self.middle - miss / self.slope, self.middle + early, self.middle + late)


@dataclass(frozen=True, slots=True)
class Crossing:
    """When a line reaches a limit, in years as the samples have them."""

    at: float
    early: float
    late: float


def fit(samples: Sequence[Sample]) -> Line | None:
    """Fit a line; None where there are too few values, or all at one time.

    Raises:
        ValueError: a value without an uncertainty of its own.
    """
    if any(each.own <= 0 for each in samples):
        raise ValueError("every value needs an uncertainty of its own")
    if len({each.x for each in samples}) < FEWEST:
        return None
    shares = [[one.shared * other.shared if one.group == other.group else 0.0 for other in samples] for one in samples]
    found, excess = _solve(samples, shares, 0.0), 0.0
    # The misfit falls and is convex in the excess: Newton's method comes from the left and never goes too far.
    for _ in range(_STEPS):
        step = (found.misfit - found.line.dof) / found.falls
        if step <= _CLOSE * max(excess, _CLOSE):
            break
        excess += step
        found = _solve(samples, shares, excess)
    return found.line


@dataclass(frozen=True, slots=True)
class _Solved:
    line: Line
    misfit: float
    """The squared residuals, weighed: as many as there are degrees of freedom where the uncertainties are right."""
    falls: float
    """By how much the misfit falls with the excess variance."""


def _solve(samples: Sequence[Sample], shares: Sequence[Sequence[float]], excess: float) -> _Solved:
    covariances = [
        [shares[i][j] + (one.own**2 + excess if i == j else 0.0) for j in range(i + 1)] for i, one in enumerate(samples)
    ]
    root = _cholesky(covariances)
    middle = fsum(each.x for each in samples) / len(samples)
    ones = _forward(root, [1.0] * len(samples))
    times = _forward(root, [each.x - middle for each in samples])
    values = _forward(root, [each.y for each in samples])
    a, b, c = _dot(ones, ones), _dot(ones, times), _dot(times, times)
    u, v = _dot(ones, values), _dot(times, values)
    determinant = a * c - b * b
    level, slope = (c * u - b * v) / determinant, (a * v - b * u) / determinant
    left = [y - level * one - slope * x for y, one, x in zip(values, ones, times, strict=True)]
    weighed = _backward(root, left)
    line = Line(
        middle=middle,
        level=level,
        slope=slope,
        level_variance=c / determinant,
        slope_variance=a / determinant,
        covariance=-b / determinant,
        excess=sqrt(excess),
        count=len(samples),
    )
    return _Solved(line, _dot(left, left), _dot(weighed, weighed) or 1.0)


def holm(ps: Sequence[float]) -> list[float]:
    """Adjust p-values for how many there are (Holm, Scand. J. Statist. 6, 65, 1979), whatever ties them together.

    Of all that are sound, the chance that any falls below a level is at most that level.
    """
    adjusted, least = [0.0] * len(ps), 0.0
    for rank, index in enumerate(sorted(range(len(ps)), key=lambda index: ps[index])):
        least = max(least, min(1.0, (len(ps) - rank) * ps[index]))
        adjusted[index] = least
    return adjusted


def _cholesky(lower: Sequence[Sequence[float]]) -> list[list[float]]:
    """The lower root of a symmetric positive definite matrix, of which the lower half is given."""
    root: list[list[float]] = []
    for i, row in enumerate(lower):
        made: list[float] = []
        for j in range(i):
            made.append((row[j] - _dot(made, root[j][:j])) / root[j][j])
        made.append(sqrt(row[i] - _dot(made, made)))
        root.append(made)
    return root


def _forward(root: Sequence[Sequence[float]], right: Sequence[float]) -> list[float]:
    """Solve `root x = right`."""
    found: list[float] = []
    for row, value in zip(root, right, strict=True):
        found.append((value - _dot(found, row[:-1])) / row[-1])
    return found


def _backward(root: Sequence[Sequence[float]], right: Sequence[float]) -> list[float]:
    """Solve `root' x = right`."""
    size = len(right)
    found = [0.0] * size
    for i in reversed(range(size)):
        above = fsum(root[k][i] * found[k] for k in range(i + 1, size))
        found[i] = (right[i] - above) / root[i][i]
    return found


def _dot(one: Sequence[float], other: Sequence[float]) -> float:
    return fsum(a * b for a, b in zip(one, other, strict=True))
