"""How likely the true value lies inside limits, and how far to go for a stated coverage.

Nothing is taken for normal that is not. The error of a reading is a sum of rectangular parts (accuracy, resolution),
perhaps a normal one, perhaps one with Student's t (few readings); the probability is that of this very sum, which a
Monte Carlo simulation by JCGM 101:2008 approaches. For rectangular and normal parts it has a closed form, repeated
integrals of the step or of the normal distribution; a Student part is integrated numerically over it.

mpmath computes it, in software: the same digits on every machine, however wide apart the sizes of the parts are.
"""

from bisect import bisect_right
from collections.abc import Callable, Sequence
from decimal import Decimal
from functools import lru_cache
from itertools import product
from math import ceil, log10

from mpmath import mp, mpf

from meterlink.judging.uncertainty import Component, Shape, combined

_DIGITS = 30
_QUAD_DIGITS = 10
_BEYOND = 40
"""So many standard deviations out, a normal distribution has come to its end as far as any number here can tell."""


def inside(components: Sequence[Component], value: Decimal, low: Decimal | None, high: Decimal | None) -> float:
    """Return the probability that the true value lies between two limits (JCGM 106:2012, 7).

    Args:
        components: the errors of the value, independent of each other: any number of rectangular ones, and normal ones
            or one of Student's shape.
        value: what was read, in their unit.
        low: the lower limit; None for none.
        high: the upper limit; None for none.

    Raises:
        ValueError: a Student component beside a normal one or another of its kind.
    """
    parts = [each for each in components if each.standard_uncertainty > 0]
    if not parts:
        return float((low is None or value >= low) and (high is None or value <= high))
    at_most = _distribution(parts)
    below = at_most(high - value) if high is not None else mpf(1)
    under = at_most(low - value) if low is not None else mpf(0)
    return min(1.0, max(0.0, float(below - under)))


@lru_cache(maxsize=256)
def coverage_factor(coverage: Decimal, dof: int | None) -> Decimal:
    """Return k for an interval that covers that share (GUM G.3): Student's t, or the normal distribution.

    Args:
        coverage: such as 0.95, between 0 and 1.
        dof: degrees of freedom, a whole number (GUM G.4.1: truncated downwards); None for infinitely many.
    """
    with mp.workdps(_DIGITS):
        outside = 1 - mpf(str(coverage))
        k = mp.sqrt(2) * mp.erfinv(1 - outside)
        if dof is not None:
            # In logarithms both tails run almost straight, so that the search cannot go astray.
            def miss(log_k: mpf) -> mpf:
                return mp.log(_tails(mp.exp(log_k), dof) / outside)

            k = mp.exp(mp.findroot(miss, (mp.log(k), mp.log(k) + 1), solver="secant", tol=mpf(10) ** -40))
        return Decimal(mp.nstr(k, 15))


def beyond(t: float, dof: int) -> float:
    """Return the probability that Student's t lies farther from 0 than `t`, either way.

    Args:
        t: not negative.
        dof: degrees of freedom, a whole number.
    """
    with mp.workdps(_DIGITS):
        return float(_tails(mpf(t), dof))


def quantile(probability: float, dof: int) -> float:
    """Return what Student's t stays below with that probability, above 0.5."""
    return float(coverage_factor(Decimal(str(2 * probability - 1)), dof))


def _tails(t: mpf, dof: int) -> mpf:
    """Both tails of Student's t: the regularised incomplete beta function."""
    return mp.betainc(mpf(dof) / 2, mpf(1) / 2, 0, dof / (dof + t**2), regularized=True)


def _distribution(parts: Sequence[Component]) -> Callable[[Decimal], mpf]:
    """The distribution function of the sum of all parts."""
    rectangular = [part.half_width for part in parts if part.shape is Shape.RECTANGULAR]
    normal = combined(part for part in parts if part.shape is Shape.NORMAL)
    student = [part for part in parts if part.shape is Shape.STUDENT]
    if len(student) > 1 or (student and normal):
        raise ValueError("a Student component stands beside a normal one or another of its kind; combine them first")
    widths = [*rectangular, normal] if normal else rectangular
    # The closed forms subtract numbers that are larger than their difference by the ratio of the parts, a power each.
    ratio = sum(widths, Decimal(0)) / min(widths) if widths else Decimal(1)
    digits = _DIGITS + ceil(2 * len(rectangular) * log10(ratio))
    with mp.workdps(digits):
        halves = [_exact(half) for half in rectangular]
        known = _smooth(halves, _exact(normal)) if normal else _polynomials(halves)

    def at_most(x: Decimal) -> mpf:
        with mp.workdps(digits):
            return _over_student(known, student[0], halves, _exact(x)) if student else known(_exact(x))

    return at_most


def _corners(half_widths: Sequence[mpf]) -> list[tuple[mpf, mpf]]:
    """Where the sum of rectangular parts begins a new polynomial, in order, each with the sign it begins with."""
    signed = product((1, -1), repeat=len(half_widths))
    return sorted((-mp.fdot(signs, half_widths), mp.fprod(signs)) for signs in signed)


def _smooth(half_widths: Sequence[mpf], sigma: mpf) -> Callable[[mpf], mpf]:
    """The distribution function of rectangular parts and a normal one: the normal one integrated once a rectangle."""
    corners, volume, times = _corners(half_widths), mp.fprod(2 * half for half in half_widths), len(half_widths)

    def integrated(x: mpf) -> mpf:
        z = x / sigma
        before, now = mp.npdf(z), mp.ncdf(z)
        for n in range(1, times + 1):
            before, now = now, (z * now + before) / n
        return now * sigma**times

    ends = mp.fsum(half_widths) + _BEYOND * sigma

    def distribution(x: mpf) -> mpf:
        if abs(x) > ends:
            return mpf(x > 0)
        return sum(sign * integrated(x - corner) for corner, sign in corners) / volume

    return distribution


def _polynomials(half_widths: Sequence[mpf]) -> Callable[[mpf], mpf]:
    """The distribution function of rectangular parts alone: a polynomial from each corner to the next."""
    corners, times = _corners(half_widths), len(half_widths)
    scale = mp.factorial(times) * mp.fprod(2 * half for half in half_widths)
    coefficients = [mpf(0)] * (times + 1)
    pieces = [list(coefficients)]
    for corner, sign in corners:
        for power in range(times + 1):
            coefficients[power] += sign * mp.binomial(times, power) * (-corner) ** (times - power) / scale
        pieces.append(list(coefficients))
    begins = [corner for corner, _ in corners]

    def distribution(x: mpf) -> mpf:
        piece = bisect_right(begins, x)
        return mpf(1) if piece == len(begins) else mp.polyval(pieces[piece], x, asc=True)

    return distribution


def _over_student(known: Callable[[mpf], mpf], student: Component, half_widths: Sequence[mpf], x: mpf) -> mpf:
    """Integrate a polynomial from each corner to the next over the Student part.

    t = √ν tan θ makes the range finite and the weight smooth. It is cut at the corners, and where t grows fourfold, so
    that no piece is much wider than the weight or comes near a pole of the tangent.
    """
    dof = mpf(student.dof or 1)
    reach = _exact(student.standard_uncertainty) * mp.sqrt(dof)
    weight = mp.gamma((dof + 1) / 2) / (mp.sqrt(mp.pi) * mp.gamma(dof / 2))

    def at(theta: mpf) -> mpf:
        return weight * mp.cos(theta) ** (dof - 1) * known(x - reach * mp.tan(theta))

    cuts = {(x - corner) / reach for corner, _ in _corners(half_widths)}
    last = max(cuts)  # beyond it the polynomial is 0, exactly
    step = 1 / mp.sqrt(dof)  # one standard uncertainty
    farthest = max(*(abs(cut) for cut in cuts), 10 * step)
    while step < farthest:
        cuts |= {step, -step}
        step *= 4
    angles = [-mp.pi / 2, *sorted(mp.atan(cut) for cut in cuts if cut <= last)]
    with mp.workdps(_QUAD_DIGITS):
        return mp.quad(at, angles, method="gauss-legendre")


def _exact(number: Decimal) -> mpf:
    return mpf(str(number))
