"""The uncertainty of a display that flickers, against a simulation of what it hides."""

from math import sqrt

import numpy as np
import pytest

from judging_samples import meter, row, sheet, shown
from meterlink.judging.budget import budget_of

TOUCHES = 4000
COUNT = 0.01
PERFECT = meter(sheet(row("60", "0.01", "0", "0")))
"""A meter without any error but its rounding."""


@pytest.mark.parametrize("readings", [3, 5, 8, 12])
@pytest.mark.parametrize("noise", [0.0, 0.1, 0.3, 1.0, 3.0])
def test_resolution_and_scatter_are_what_the_median_of_rounded_readings_is_off_by(noise: float, readings: int) -> None:
    """Noise in counts, the true value anywhere between two of them; a Monte Carlo simulation, JCGM 101:2008."""
    generator = np.random.default_rng(20081)
    true = 24 + generator.uniform(-0.5, 0.5, TOUCHES) * COUNT
    counts = np.sort(np.rint((true[:, None] + generator.normal(0, noise * COUNT, (TOUCHES, readings))) / COUNT))
    medians = counts[:, (readings - 1) // 2] * COUNT
    off = sqrt(float(np.mean((medians - true) ** 2)))
    deviations = np.round(counts.std(axis=1, ddof=1) * COUNT, 9)
    variances = {
        each: float(budget_of(shown("24.00", deviation=f"{each:.9f}", readings=readings), PERFECT).standard) ** 2
        for each in np.unique(deviations).tolist()
    }
    stated = sqrt(float(np.mean([variances[each] for each in deviations.tolist()])))
    assert 0.9 * off < stated < 1.25 * off
