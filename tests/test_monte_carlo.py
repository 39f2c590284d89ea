"""Probabilities against Monte Carlo simulation (JCGM 101:2008) and quadrature; coverage factors against SciPy's t."""

import random
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from decimal import Decimal
from functools import cache
from itertools import pairwise
from math import atan, inf, log1p, pi, sqrt

import numpy as np
import numpy.typing as npt
import pytest
from scipy import special, stats

from judging_samples import ZERO, display, judge, meter, parts, row, sheet, shown
from meterlink.instrument import Climate
from meterlink.judging.distribution import coverage_factor, inside
from meterlink.judging.judge import Judge
from meterlink.judging.rules import Decision
from meterlink.limits import Limits

Floats = npt.NDArray[np.float64]

CASES, DRAWS = 200, 200_000


@dataclass(frozen=True, slots=True)
class Case:
    """A touch and its limits, in plain numbers."""

    texts: tuple[str, ...]
    """What the display showed, in V."""
    resolution: float
    percent: float
    counts: int
    celsius: float | None
    accuracy_per_kelvin: float
    reading_per_kelvin: float
    source_ohms: float
    impedance: float
    quantiles: tuple[float, float]
    """Where the limits lie, in the distribution of the true value; 0 and 1 for none."""


def _cases() -> Iterator[Case]:
    drawn = random.Random(20081)
    for index in range(CASES):
        decimals = drawn.choice((0, 1, 2, 3, 4))
        noise = drawn.choice((0.0, 0.0, 0.3, 0.6, 1.0, 3.0, 8.0)) if index % 4 else 0.0
        middle = drawn.uniform(60, 5900) * drawn.choice((1, 1, 1, -1))
        counts = [round(middle + drawn.gauss(0, noise)) for _ in range(drawn.randint(3, 12))]
        low, high = sorted(drawn.uniform(0.003, 0.997) for _ in range(2))
        yield Case(
            texts=tuple(f"{Decimal(each).scaleb(-decimals):f}" for each in counts),
            resolution=10.0**-decimals,
            percent=drawn.choice((0.05, 0.1, 0.5, 0.8, 1.5)),
            counts=drawn.choice((1, 2, 3, 5, 8)),
            celsius=drawn.choice((None, 23.0, 31.0, 5.0, -10.0)),
            accuracy_per_kelvin=drawn.choice((0.05, 0.1)),
            reading_per_kelvin=drawn.choice((0.0, 0.0001)),
            source_ohms=drawn.choice((0.0, 0.0, 10e3, 47e3, 100e3)),
            impedance=drawn.choice((1e6, 10e6)),
            quantiles=drawn.choice(((low, high), (low, 1.0), (0.0, high))),
        )


def _true_values(case: Case, generator: np.random.Generator) -> Floats:
    """Draw what the true value can be, given what was shown and what the sheet says: the model in NumPy.

    Rectangular for limits of error (JCGM 101:2008, 6.4.2), t of n - 1 for a mean of few readings (6.4.9), the median
    scattering √(π/2) times as much, less what rounding puts into the scatter (GUM 4.3.10); half a count of resolution
    (GUM F.2.2.1).
    """
    values = np.array([float(text) for text in case.texts])
    ordered = np.sort(values)
    middles = ordered[(len(values) - 1) // 2], ordered[len(values) // 2]
    median = float(min(middles, key=lambda each: (round(abs(each - values.mean()), 9), each)))
    scatter = float(values.std(ddof=1))
    stated = case.percent / 100 * abs(median) + case.counts * case.resolution
    outside = 0.0 if case.celsius is None else max(18 - case.celsius, case.celsius - 28, 0.0)
    warm = outside * (case.accuracy_per_kelvin * stated + case.reading_per_kelvin * abs(median))
    unrounded = sqrt(max(scatter**2 - case.resolution**2 / 12, 0.0))
    loading = abs(median) * case.source_ohms / case.impedance
    true = np.full(DRAWS, median)
    for half in (stated, warm, case.resolution / 2, loading):
        if half:
            true += generator.uniform(-half, half, DRAWS)
    if unrounded:
        true += generator.standard_t(len(values) - 1, DRAWS) * sqrt(pi / 2) * unrounded / sqrt(len(values))
    return true


def _limits(case: Case, true: Floats) -> Limits:
    """Round the quantiles to a tenth of a count, as a procedure would state a limit."""
    low, high = (
        None if share in (0.0, 1.0) else Decimal(str(round(float(np.quantile(true, share)) / case.resolution, 1)))
        for share in case.quantiles
    )
    step = Decimal(str(case.resolution))
    return Limits("", None if low is None else low * step, None if high is None else high * step, "V")


def _judge(case: Case, limits: Limits) -> Judge:
    climate = Climate(
        accuracy_per_kelvin=Decimal(str(case.accuracy_per_kelvin)),
        reading_per_kelvin=Decimal(str(case.reading_per_kelvin)),
    )
    resolution = Decimal(str(case.resolution))
    known = row(
        str(resolution * 6000),
        str(resolution),
        str(case.percent),
        str(case.counts),
        impedance=Decimal(case.impedance),
        climate=climate,
    )
    celsius = None if case.celsius is None else str(case.celsius)
    return Judge(limits, Decision(), meter(sheet(known), celsius=celsius), source_ohms=Decimal(case.source_ohms))


def test_the_probability_is_that_of_a_monte_carlo_simulation() -> None:
    """Each within 4 standard deviations of the simulation's own error, and all together as they should scatter."""
    off: list[float] = []
    spread: dict[str, int] = {}
    for index, case in enumerate(_cases()):
        pilot = _true_values(case, np.random.default_rng([2012, index]))
        limits = _limits(case, pilot)
        made = _judge(case, limits).judge(display(*case.texts)).assessment
        assert made.probability is not None
        low, high = (end if end is None else float(end) for end in (limits.low, limits.high))
        true = _true_values(case, np.random.default_rng([2008, index]))
        held = np.count_nonzero((true >= (-inf if low is None else low)) & (true <= (inf if high is None else high)))
        error = sqrt(made.probability * (1 - made.probability) / DRAWS)
        assert error > 0, case
        off.append((held / DRAWS - made.probability) / error)
        for line in made.budget:
            spread[line.name] = spread.get(line.name, 0) + (line.standard_uncertainty > 0)
    assert [round(each, 1) for each in off if abs(each) > 4] == []
    chi_square = sum(each**2 for each in off)
    assert stats.chi2.ppf(0.0005, CASES) < chi_square < stats.chi2.ppf(0.9995, CASES)
    assert len(off) == CASES
    assert min(spread[name] for name in ("accuracy", "resolution", "scatter", "temperature", "loading")) > 50


def test_taking_the_error_for_normal_would_be_off_by_more_than_two_percent() -> None:
    """21.95 V on ≥ 22.0 V, ±(0.5 % + 2 counts): rectangular, so 0.05 V of 0.13 V; the resolution hardly counts."""
    made = judge(">= 22.0 V").judge_shown(shown("21.95")).assessment
    assert made.probability is not None
    assert made.probability_normal is not None
    reach = 0.005 * 21.95 + 2 * 0.01
    assert made.probability == pytest.approx((reach - 0.05) / (2 * reach), abs=1e-9)
    assert made.probability - made.probability_normal > 0.02 or made.probability_normal - made.probability > 0.02


# Against SciPy


@dataclass(frozen=True, slots=True)
class Mix:
    """Errors that are added: half widths, a standard deviation, scales of t with degrees of freedom."""

    rectangles: tuple[float, ...] = ()
    normal: float = 0.0
    students: tuple[tuple[float, int], ...] = ()

    def inside(self, value: float, low: float | None, high: float | None) -> float:
        """What the product says; numbers pass as the decimals that they are written as."""
        given = (None if each is None else Decimal(repr(each)) for each in (low, high))
        return inside(parts(self.rectangles, self.normal, self.students), Decimal(repr(value)), *given)

    def at_most(self, x: float) -> float:
        """What quadrature says."""
        if self.normal or self.students:
            return _by_inversion(self, x)
        return _by_convolution(self.rectangles, x)


_NODES, _WEIGHTS = special.roots_legendre(12)


def _by_convolution(halves: Sequence[float], x: float) -> float:
    """One rectangle after the other, by Gauss and Legendre between the kinks, which is exact for polynomials."""
    first, *others = halves
    if not others:
        return min(max((x + first) / (2 * first), 0.0), 1.0)
    kinks = sorted({-first, first, *(k for k in (x - end for end in _corners(others)) if -first < k < first)})
    total = 0.0
    for low, high in pairwise(kinks):
        middle, half = (low + high) / 2, (high - low) / 2
        at = [_by_convolution(others, x - (middle + half * node)) for node in _NODES]
        total += half * float(np.dot(_WEIGHTS, at))
    return total / (2 * first)


def _corners(halves: Sequence[float]) -> list[float]:
    corners = [0.0]
    for half in halves:
        corners = [corner + sign * half for corner in corners for sign in (1, -1)]
    return corners


def _by_inversion(mix: Mix, x: float) -> float:
    """Gil-Pelaez (Biometrika 38, 1951): F(x) = 1/2 + 1/π ∫ sin(tx) φ(t) / t dt, φ being real here."""
    reach = sum(mix.rectangles) + mix.normal + sum(scale for scale, _ in mix.students)
    decay = [sqrt(2 * 36) / mix.normal] if mix.normal else []
    decay += [40 / (sqrt(dof) * scale) for scale, dof in mix.students]
    step = pi / (abs(x) + reach)
    panels = np.arange(0, min(decay) + step, step)
    t = (panels[:, None] + step / 2 * (1 + _NODES)).ravel()
    weights = np.tile(_WEIGHTS * step / 2, len(panels))
    phi = np.exp(-((mix.normal * t) ** 2) / 2)
    for half in mix.rectangles:
        phi = phi * np.sinc(half * t / pi)
    for scale, dof in mix.students:
        z = sqrt(dof) * scale * t
        phi = (
            phi * special.kve(dof / 2, z) * np.exp(-z) * z ** (dof / 2) / (special.gamma(dof / 2) * 2 ** (dof / 2 - 1))
        )
    return 0.5 + float(np.dot(weights, np.sin(t * x) / t * phi)) / pi


def _mixes() -> Iterator[tuple[Mix, float]]:
    """Fifty mixes of a few sizes, none a hundred times another, and a place that is not far out."""
    drawn = random.Random(106)

    def size() -> float:
        return round(10 ** drawn.uniform(-1.5, 0.5), 3)

    for index in range(50):
        rectangles = tuple(size() for _ in range(drawn.randint(1, 4)))
        students = ((size(), drawn.randint(2, 11)),) if index % 2 else ()
        mix = Mix(rectangles, size() if index % 4 == 2 else 0.0, students)
        reach = sum(rectangles) + mix.normal + sum(scale for scale, _ in students)
        yield mix, round(drawn.uniform(-1.2, 1.2) * reach, 3)


_WIDE_SCATTER = [
    (Mix((0.255, 0.286, 0.365), 0.0, ((1.777, 11),)), 0.229),
    (Mix((0.172, 0.076, 0.559, 0.208), 0.0, ((1.938, 8),)), -0.271),
]
"""Three errors and more, all well below the scatter."""


@pytest.mark.parametrize(("mix", "x"), [*_mixes(), *_WIDE_SCATTER])
def test_a_mix_of_errors_is_what_quadrature_makes_of_it(mix: Mix, x: float) -> None:
    assert mix.inside(0.0, None, x) == pytest.approx(mix.at_most(x), abs=1e-7)
    assert mix.inside(3.0, 3.0 - 0.5, 3.0 + abs(x)) == pytest.approx(mix.at_most(abs(x)) - mix.at_most(-0.5), abs=2e-7)


@pytest.mark.parametrize("mix", [Mix((1.0,), 0.0, ((0.3, 2), (0.2, 4))), Mix((1.0,), 0.2, ((0.3, 2),))], ids=str)
def test_what_is_to_be_combined_first_is_refused_not_guessed(mix: Mix) -> None:
    with pytest.raises(ValueError, match="a Student component stands beside a normal one or another of its kind"):
        mix.inside(0.0, None, 1.0)


@pytest.mark.parametrize(("scale", "x"), [(0.1, 0.75), (0.03, 0.9), (0.01, 0.9), (0.001, 0.99)])
def test_two_readings_have_the_widest_t(scale: float, x: float) -> None:
    """One degree of freedom is Cauchy's distribution, whose integral has a closed form."""
    mix = Mix((1.0,), 0.0, ((scale, 1),))

    def integral(z: float) -> float:
        return z * (0.5 + atan(z) / pi) - log1p(z**2) / (2 * pi)

    exact = scale * (integral((x + 1) / scale) - integral((x - 1) / scale)) / 2
    assert mix.inside(0.0, None, x) == pytest.approx(exact, abs=1e-6)


@pytest.mark.parametrize("x", [-1.0, -0.999999999, 0.0, 0.25, 0.5, 1.0, 1.000000001])
@pytest.mark.parametrize("small", [1e-9, 1e-6, 1e-3])
def test_a_part_a_thousand_million_times_smaller_moves_nothing_but_the_ends(x: float, small: float) -> None:
    alone = _by_convolution([1.0, 0.5], x)
    for mix in (Mix((1.0, 0.5, small)), Mix((1.0, 0.5), small), Mix((1.0, 0.5), 0.0, ((small, 4),))):
        assert mix.inside(0.0, None, x) == pytest.approx(alone, abs=1e-9 + small)


@pytest.mark.parametrize(("value", "expected"), [(0.0, 0.5), (1e-9, 0.75), (-2e-9, 0.0), (2e-9, 1.0)])
def test_limits_far_from_each_other_and_a_tiny_error(value: float, expected: float) -> None:
    assert Mix((2e-9,)).inside(value, 0.0, 29.0) == pytest.approx(expected, abs=1e-12)


@pytest.mark.parametrize("z", [3.0, 6.0, 12.0, 30.0])
def test_tails_are_exact_relative_to_themselves(z: float) -> None:
    assert Mix(normal=1.0).inside(0.0, z, None) == pytest.approx(stats.norm.sf(z), rel=1e-9)
    assert Mix(students=((1.0, 4),)).inside(0.0, z, None) == pytest.approx(stats.t.sf(z, 4), rel=1e-6)


@pytest.mark.parametrize("sign", [1, -1])
@pytest.mark.parametrize("ratio", [1e3, 1e6, 1e7, 1e9])
@pytest.mark.parametrize("count", [1, 2, 4, 7])
@pytest.mark.parametrize("normal", [False, True])
def test_a_value_far_from_its_limits_is_certain(normal: bool, count: int, ratio: float, sign: int) -> None:
    """The rectangles together reach a tenth of a limit at most: what lies farther off is 0 or 1, with no rounding."""
    mix = Mix(tuple(round(24 / ratio * (1 + index / 8), 15) for index in range(count)), 24 / ratio if normal else 0.0)
    assert sum(mix.rectangles) < 2.4
    assert mix.inside(0.0, None, sign * 24.0) == pytest.approx((1 + sign) / 2, abs=1e-12)


def test_a_component_of_zero_changes_nothing_and_none_leaves_the_value_alone() -> None:
    limits = Decimal("21.9"), Decimal("22.1")
    value = Decimal("21.95")
    some = parts([0.1], 0.02)
    none = parts([0], 0) + parts(students=[(0, 3)])
    assert inside([*some, *none], value, *limits) == inside(some, value, *limits)
    for nothing in ([], none):
        assert inside(nothing, Decimal("21.9"), *limits) == 1.0  # the ends belong to the limits
        assert inside(nothing, Decimal("21.8999"), *limits) == 0.0
        assert inside(nothing, ZERO, None, None) == 1.0


COVERAGES = ("0.5", "0.6827", "0.8", "0.9", "0.95", "0.9545", "0.99", "0.9973", "0.999", "0.9999")


@cache
def _percent_point(coverage: str, dof: int | None) -> float:
    upper = 0.5 + float(coverage) / 2
    return float(stats.norm.ppf(upper) if dof is None else stats.t.ppf(upper, dof))


@pytest.mark.parametrize("coverage", COVERAGES)
def test_the_coverage_factor_is_that_of_scipy(coverage: str) -> None:
    for dof in (None, *range(1, 201)):
        found = float(coverage_factor(Decimal(coverage), dof))
        assert found == pytest.approx(_percent_point(coverage, dof), rel=1e-10), dof
