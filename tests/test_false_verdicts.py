"""False verdicts near limits: all of `python tests/false_verdicts.py`, which takes seconds."""

import pytest

from false_verdicts import COUNT, PROMISED, SCENARIOS, Figures, Group, Row, measure, table
from meterlink.judging.rules import Rule
from meterlink.outcome import VerdictOutcome


@pytest.fixture(scope="module")
def figures() -> Figures:
    return measure(COUNT)


def test_every_promise_holds(figures: Figures) -> None:
    assert figures.broken == []


def test_the_figures_speak_of_readings_that_could_go_wrong(figures: Figures) -> None:
    """Of as many readings as asked for, some of each outcome, in every scenario's both sides."""
    rows = {row.rule: row for row in figures.rows}
    assert all(0.99 * COUNT < row.readings <= COUNT for row in figures.rows)
    assert sum(group.readings for group in figures.groups) == rows[Rule.SIMPLE].readings
    assert rows[Rule.SIMPLE].outcomes[VerdictOutcome.UNCLEAR] == 0
    assert rows[Rule.GUARDED].outcomes[VerdictOutcome.UNCLEAR] > COUNT / 3
    assert min(rows[rule].outcomes[VerdictOutcome.FAIL] for rule in Rule) > COUNT / 10
    assert rows[Rule.SIMPLE].false_accepts > COUNT / 50  # so near a limit, one of ten is wrong without a guard band
    assert rows[Rule.GUARDED_REJECTION].false_accepts > rows[Rule.SIMPLE].false_accepts
    assert rows[Rule.GUARDED].accepts_at_border[0] > COUNT / 200
    assert rows[Rule.GUARDED].false_accepts > 0  # more than one rectangle: the border is not beyond all of them
    assert len(SCENARIOS) > 4


def test_a_broken_promise_is_told() -> None:
    row = Row(Rule.GUARDED, readings=1000, false_accepts=23, false_rejects=23, accepts_at_border=[100, 20])
    assert [line.split(",")[0] for line in row.broken] == [
        "guarded: 23 false accepts of 1000",
        "guarded: 20 false accepts of 100 next to the border",
        "guarded: 23 false rejects of 1000",
    ]
    assert Row(Rule.GUARDED_REJECTION, readings=1000, false_accepts=500, false_rejects=22).broken == []
    assert Row(Rule.SIMPLE, readings=1000, false_accepts=50, predicted_accepts=30, variance=16).broken
    assert not Group(0.5, 0.6, readings=1000, inside=500, stated=550, variance=100).keeps
    assert abs(PROMISED - 0.02275) < 1e-4  # 1 - Phi(2): ILAC-G8:09/2019, table 1


def test_the_table_has_a_line_for_each_rule_and_group(figures: Figures) -> None:
    lines = table(figures)
    assert [line.split()[0] for line in lines[2:5]] == [rule.value for rule in Rule]
    assert len(lines) == 8 + sum(group.readings > 0 for group in figures.groups)
