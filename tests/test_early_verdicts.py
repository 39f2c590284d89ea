"""A short form of `python tests/early_verdicts.py`: early verdicts, right or wrong, by distance from a limit."""

from statistics import median

import pytest

from early_verdicts import RULES, STEADYPOINT, measure, measure_slow, promised

TOUCHES = 300
ONLY_OURS = {STEADYPOINT: RULES[STEADYPOINT]}


@pytest.mark.parametrize("distance", [1.0, 2.0, 5.0, 30.0, 100.0])
def test_an_early_verdict_is_wrong_only_within_a_count_or_two_of_a_limit(distance: float) -> None:
    row = measure(TOUCHES, distance, ONLY_OURS)[STEADYPOINT]
    assert row.wrong_share <= promised(distance)
    assert row.judged > 0.8 * TOUCHES


@pytest.mark.parametrize(("tau", "most"), [(0.4, 0.0), (1.0, 0.05)])
def test_what_falls_through_a_limit_within_seconds_does_not_pass_on_the_way(tau: float, most: float) -> None:
    assert measure_slow(60, 5.0, tau) <= most


def test_far_from_a_limit_it_comes_sooner_than_near_one() -> None:
    far, near = (measure(TOUCHES, distance, ONLY_OURS)[STEADYPOINT] for distance in (100.0, 1.0))
    assert median(far.updates) < median(near.updates)


def test_simpler_rules_are_wrong_more_often_and_so_the_trial_can_tell() -> None:
    rows = measure(TOUCHES, 1.0, RULES)
    ours = rows.pop(STEADYPOINT)
    assert all(row.wrong_share > ours.wrong_share for row in rows.values())
