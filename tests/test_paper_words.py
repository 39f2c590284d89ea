"""What paper says of judging by hand, how the circuit looks on it, and what a circuit must have for a draft."""

import re
from decimal import Decimal
from math import sqrt

import pytest

from meterlink.circuit.draft import draft
from meterlink.circuit.load import load_circuit
from meterlink.circuit.parse import parse_circuit
from meterlink.circuit.picture.dress import PAPER_STYLE, STYLE
from meterlink.circuit.picture.marks import Marks
from meterlink.circuit.picture.svg import svg
from meterlink.errors import UsageError
from meterlink.judging.rules import Decision, Rule
from meterlink.paper.by_hand import judged_by, rule_of
from meterlink.paper.letters import plain_text, shortened

TEMPLATE = "title: T\ncircuit: c\n\njudging: {}\n\nuncaught: []\n\nreferences: []\n\nsteps: []\n"
BATTERY = '  - {id: G1, kind: battery, from: PE, to: "G1:+", cells: 12, volts: 24..28 V}'


@pytest.mark.parametrize("factor", ["1", "2", "3"])
def test_the_expanded_uncertainty_by_hand_is_that_of_a_rectangular_limit_of_error(factor: str) -> None:
    """JCGM 100:2008, 4.3.7: limits of error ±a have the standard uncertainty a/√3."""
    said = judged_by(Decision(Rule.GUARDED, Decimal(factor)))
    assert f"k = {factor}: about {int(factor) / sqrt(3):.2f} times the limit of error" in said


def test_each_rule_says_when_a_reading_passes_and_when_it_fails() -> None:
    said = {rule: judged_by(Decision(rule)) for rule in Rule}
    assert said[Rule.SIMPLE] == ("Rule simple. A reading inside the limits, ends included, passes; one outside fails.")
    assert "passes only inside the limits by more than" in said[Rule.GUARDED]
    assert "fails only outside the limits by more than" in said[Rule.GUARDED_REJECTION]


@pytest.mark.parametrize(
    ("decision", "expected"),
    [
        (Decision(), "simple"),
        (Decision(Rule.GUARDED, coverage=Decimal("0.9545")), "guarded, coverage 95.45 %"),
        (Decision(Rule.GUARDED, coverage=Decimal("0.9000")), "guarded, coverage 90 %"),
        (Decision(max_uncertainty=Decimal("0.2"), max_unit="V"), "simple, k = 2, at most 0.2 V"),
        (
            Decision(max_uncertainty=Decimal(10), max_unit="%"),
            "simple, k = 2, at most 10 % of the width between the limits",
        ),
    ],
)
def test_a_rule_goes_by_its_name_and_what_it_states(decision: Decision, expected: str) -> None:
    assert rule_of(decision) == expected


def test_controls_and_marks_that_turn_the_writing_are_shown_as_such() -> None:
    assert plain_text(" X\u202e1\u2066Y\n\tand\x07 more ") == "X�1�Y and� more"
    assert (shortened("12345", 5), shortened("123456", 5)) == ("12345", "1234…")


def test_on_paper_the_picture_is_black_on_white_in_plain_values_and_without_a_search_s_signs() -> None:
    drawn = svg(load_circuit("start-up").circuit, Marks(), on_paper=True)
    assert {each.lower() for each in re.findall(r":(#\w+)", PAPER_STYLE)} == {"#000", "#fff"}
    assert "var(" not in drawn
    assert "@media" not in drawn
    assert "found faulty" not in drawn
    assert ">floating</text>" in drawn
    selectors = [set(re.findall(r"(\.circuit-picture [^{]+)\{", style)) for style in (STYLE, PAPER_STYLE)]
    assert selectors[0] == selectors[1]


@pytest.mark.parametrize(
    ("elements", "expected"),
    [
        (
            f"""{BATTERY}
  - {{id: K1.1, kind: contact, from: "G1:+", to: "K1:A1", normally: closed, coil: K1}}
  - {{id: K1, kind: coil, from: "K1:A1", to: PE, resistance: 480 Ohm}}
""",
            "do not come to rest",
        ),
        (f'{BATTERY}\npoints:\n  - {{at: "G1:+", probe: no}}\n', "no point at which anything can be expected"),
    ],
    ids=["restless", "unreachable"],
)
def test_a_circuit_of_which_nothing_can_be_expected_gives_no_draft(elements: str, expected: str) -> None:
    text = f"circuit: c\ntitle: C\nreference: PE\nelements:\n{elements}"
    with pytest.raises(UsageError, match=expected):
        draft(TEMPLATE, parse_circuit(text, "c.yaml"), "c")
