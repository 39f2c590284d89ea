"""The line through values over time, held against a certified data set, SciPy, and chance itself."""

import random
from math import sqrt

import numpy as np
import pytest
from scipy import stats

from meterlink.history.trend import Line, Sample, fit, holm

# NIST, Statistical Reference Datasets, linear regression, "Norris": ozone monitors, 36 observations (y, x), and the
# certified values of the line (www.itl.nist.gov/div898/strd/lls/data/Norris.shtml). From memory; the digits agree.
NORRIS = """
0.1 0.2  338.8 337.4  118.1 118.2  888.0 884.6  9.2 10.1  228.1 226.5  668.5 666.3  998.5 996.3  449.1 448.6
778.9 777.0  559.2 558.2  0.3 0.4  0.1 0.6  778.1 775.5  668.8 666.9  339.3 338.0  448.9 447.5  10.8 11.6
557.7 556.0  228.3 228.1  998.0 995.8  888.8 887.6  119.6 120.2  0.3 0.3  0.6 0.3  557.6 556.8  339.3 339.1
888.0 887.2  998.5 999.0  778.9 779.0  10.2 11.1  117.6 118.3  228.9 229.2  668.4 669.1  449.2 448.9  0.2 0.5
"""


def line(samples: list[Sample]) -> Line:
    found = fit(samples)
    assert found is not None
    return found


def test_the_line_is_the_certified_one() -> None:
    numbers = [float(text) for text in NORRIS.split()]
    samples = [Sample(x, y, own=1e-9) for y, x in zip(numbers[::2], numbers[1::2], strict=True)]
    found = line(samples)
    assert len(samples) == 36
    assert found.slope == pytest.approx(1.00211681802045, rel=1e-13)
    assert found.slope_uncertainty == pytest.approx(0.429796848199937e-03, rel=1e-10)
    assert found.excess == pytest.approx(0.884796396144373, rel=1e-10)
    at_zero = found.level - found.slope * found.middle
    variance = found.level_variance + found.middle**2 * found.slope_variance - 2 * found.middle * found.covariance
    assert at_zero == pytest.approx(-0.262323073774029, rel=1e-9)
    assert sqrt(variance) == pytest.approx(0.232818234301152, rel=1e-10)
    assert found.dof == 34


def drawn(seed: int, count: int, scatter: float, slope: float = 0.0) -> list[tuple[float, float]]:
    chance = random.Random(seed)
    return [(x, 3 + slope * x + chance.gauss(0, scatter)) for x in (number / 4 for number in range(count))]


@pytest.mark.parametrize("count", [3, 4, 9, 25])
def test_scatter_beyond_what_is_stated_gives_ordinary_least_squares(count: int) -> None:
    points = drawn(count, count, 0.5)
    found = line([Sample(x, y, own=1e-6) for x, y in points])
    scipy = stats.linregress(*zip(*points, strict=True))
    assert found.slope == pytest.approx(scipy.slope, rel=1e-9)
    assert found.slope_uncertainty == pytest.approx(scipy.stderr, rel=1e-6)
    assert found.p == pytest.approx(scipy.pvalue, rel=1e-6)
    assert found.half_width == pytest.approx(stats.t.ppf(0.975, count - 2) * scipy.stderr, rel=1e-6)


def test_a_line_never_explains_its_values_better_than_their_uncertainties_allow() -> None:
    straight = [Sample(x, 0.5 * x, own=0.01) for x in (0.0, 1.0, 2.0, 3.0)]
    found = line(straight)
    assert found.slope == pytest.approx(0.5)
    assert found.excess == 0.0
    assert found.slope_uncertainty == pytest.approx(0.01 / sqrt(5))


def test_values_weigh_by_their_uncertainties_as_numpy_weighs_them() -> None:
    xs, ys, owns = [0.0, 1.0, 2.0, 3.5], [1.0, 1.1, 1.15, 1.4], [0.3, 0.1, 0.5, 0.2]
    found = line([Sample(x, y, own) for x, y, own in zip(xs, ys, owns, strict=True)])
    (slope, _), covariance = np.polyfit(xs, ys, 1, w=[1 / own for own in owns], cov="unscaled")
    assert found.excess == 0.0
    assert found.slope == pytest.approx(slope)
    assert found.slope_variance == pytest.approx(covariance[0][0])


def test_what_one_meter_is_off_by_leaves_the_slope_alone() -> None:
    points = drawn(1, 6, 0.05, slope=0.1)
    bare = line([Sample(x, y, own=0.01) for x, y in points])
    same = line([Sample(x, y, own=0.01, shared=0.5, group="A") for x, y in points])
    assert same.slope == pytest.approx(bare.slope)
    assert same.slope_uncertainty == pytest.approx(bare.slope_uncertainty)


def test_what_two_meters_are_off_by_is_in_a_slope_over_both() -> None:
    points = drawn(1, 6, 0.005, slope=0.1)
    samples = [Sample(x, y, own=0.01, shared=0.5, group=x > 0.6) for x, y in points]
    found = line(samples)
    design = np.array([[1.0, sample.x] for sample in samples])
    weights = np.linalg.inv(
        [
            [one.shared * other.shared * (one.group == other.group) + 0.01**2 * (one is other) for other in samples]
            for one in samples
        ]
    )
    covariance = np.linalg.inv(design.T @ weights @ design)
    expected = covariance @ design.T @ weights @ np.array([sample.y for sample in samples])
    assert found.excess == 0.0
    assert found.slope == pytest.approx(expected[1])
    assert found.slope_variance == pytest.approx(covariance[1][1])
    assert found.slope_uncertainty > 2 * line([Sample(x, y, own=0.01) for x, y in points]).slope_uncertainty


def test_there_is_no_slope_from_two_visits_or_from_one_day() -> None:
    assert fit([Sample(0.0, 1.0, 0.1), Sample(1.0, 2.0, 0.1)]) is None
    assert fit([Sample(0.0, 1.0, 0.1), Sample(0.0, 2.0, 0.1), Sample(0.0, 3.0, 0.1)]) is None
    with pytest.raises(ValueError, match="uncertainty of its own"):
        fit([Sample(0.0, 1.0, 0.0)])


def test_p_values_are_corrected_as_holm_does() -> None:
    # Wikipedia, "Holm-Bonferroni method", example: 0.01, 0.04, 0.03, 0.005 at 5 % rejects the first and the last.
    assert holm([0.01, 0.04, 0.03, 0.005]) == pytest.approx([0.03, 0.06, 0.06, 0.02])
    assert holm([0.9, 0.8]) == [1.0, 1.0]
    assert holm([]) == []


def test_a_sound_series_is_called_significant_as_often_as_stated() -> None:
    found = [line([Sample(x, y, 1e-6) for x, y in drawn(seed, 5, 0.2)]).p < 0.05 for seed in range(1500)]
    # 1500 times 5 %: three standard deviations of the binomial distribution are 25.
    assert 50 <= sum(found) <= 100


def test_a_slope_called_visible_is_found_as_often_as_stated() -> None:
    sound = [line([Sample(x, y, 1e-6) for x, y in drawn(seed, 9, 0.2)]) for seed in range(300)]
    visible = sqrt(sum(each.visible(0.05) ** 2 for each in sound) / len(sound))
    steep = [line([Sample(x, y, 1e-6) for x, y in drawn(seed, 9, 0.2, visible)]).p < 0.05 for seed in range(600)]
    assert 0.75 <= sum(steep) / len(steep) <= 0.88


def test_the_time_at_which_a_limit_is_reached_is_covered_as_often_as_stated() -> None:
    covered = []
    for seed in range(1000):
        crossing = line([Sample(x, y, 1e-6) for x, y in drawn(seed, 6, 0.05, slope=0.5)]).reaches(5.0)
        covered.append(crossing is not None and crossing.early <= 4.0 <= crossing.late)
    assert 0.93 <= sum(covered) / len(covered) <= 0.97


def test_a_limit_that_may_never_be_reached_has_no_time() -> None:
    assert line([Sample(x, y, 1e-6) for x, y in drawn(3, 5, 0.5)]).reaches(50.0) is None
