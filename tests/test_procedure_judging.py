"""The keys of a procedure about judging: decision rules, limits that refer to earlier readings, calibration."""

from decimal import Decimal

import pytest
from jsonschema import Draft202012Validator

from meterlink.judging.rules import Decision, Rule
from meterlink.limits import parse_limits
from meterlink.procedure.model import MeasuredStep, ReadingStep, partner_of
from meterlink.procedure.parse import examine, parse_procedure
from meterlink.procedure.problem import Severity
from meterlink.procedure.schema import procedure_schema
from procedure_samples import unmark, with_steps

A = "- {id: a, kind: reading, point: X1, reference: bar, measure: dc-voltage, limits: 24..29 V}\n"


def step(more: str, limits: str = "20..29 V", step_id: str = "b") -> str:
    where = "point: X2, reference: bar, measure: dc-voltage"
    return f"- {{id: {step_id}, kind: reading, {where}, limits: {limits}, {more}}}\n"


def test_a_step_s_rule_stands_before_the_procedure_s() -> None:
    text = with_steps(A + step("judging: {rule: simple, max_uncertainty: 10 %}"))
    text = text.replace("steps:", "judging: {rule: guarded, coverage: 95 %}\nsteps:")
    procedure = parse_procedure(text, "p")
    first, second = procedure.steps
    assert isinstance(first, MeasuredStep)
    assert isinstance(second, MeasuredStep)
    assert procedure.decision(first) == Decision(Rule.GUARDED, coverage=Decimal("0.95"))
    assert procedure.decision(second) == Decision(Rule.SIMPLE, max_uncertainty=Decimal(10), max_unit="%")
    assert procedure.decision(second).allowed(parse_limits("20..29 V")) == Decimal("0.9")
    assert procedure.decision(second).allowed(parse_limits("<= 2 Ohm")) == Decimal("0.2")


def test_where_nothing_is_said_acceptance_is_simple_and_k_is_2() -> None:
    procedure = parse_procedure(with_steps(A), "p")
    (only,) = procedure.steps
    assert isinstance(only, MeasuredStep)
    assert procedure.decision(only) == Decision(Rule.SIMPLE)
    assert procedure.decision(only).factor(None) == 2
    assert procedure.calibration == "announced"


@pytest.mark.parametrize(
    ("marked", "message"),
    [
        (step("judging: {rule: ¶strict}"), "rule 'strict' is not known, expected 'simple', 'guarded' or"),
        (step("judging: {rule: guarded, ¶guard: 1}"), "key 'guard' is not known in judging"),
        (step("judging: {rule: guarded, max_uncertainty: ¶1 V}"), "only the rule simple has a largest uncertainty"),
        (step("judging: {max_uncertainty: ¶1 Ohm}"), "in Ohm, but dc-voltage is measured in V"),
        (step("judging: {max_uncertainty: ¶-1 V}"), "expected an uncertainty above 0"),
        (step("judging: {rule: guarded, coverage_factor: ¶0}"), "expected a coverage factor from 1 to 10"),
        (step("judging: {rule: guarded, coverage: ¶95 V}"), "expected a share such as 95 %"),
        (step("judging: {rule: guarded, coverage_factor: 2, coverage: ¶95 %}"), "leave one out"),
        (step("source_resistance: ¶10 V"), "expected a resistance above 0, such as 10 kOhm"),
        (A + step("source: x", "¶within 0.3 V of c"), "no step has the id or the point 'c'"),
        (A + step("source: x", "¶within 0.3 V of X2"), "a step cannot agree with itself"),
        (A + step("source: x", "¶within 0.3 Ohm of a"), "a difference in Ohm, but dc-voltage is measured in V"),
        (A + step("source: x", "¶within -1 V of a"), "a difference must not be negative"),
        (A + step("source: x", "¶-1..1 V below a"), "write how far below without a sign"),
        (step("source: x", "¶within 1 V of d") + step("say: x", step_id="d"), "step 'd' comes later"),
    ],
)
def test_nonsense_is_an_error_at_its_place(marked: str, message: str) -> None:
    text, line, column = unmark(with_steps(marked))
    examined = examine(text, "p")
    assert examined.procedure is None
    told = [(each.line, each.column, each.message) for each in examined.problems if each.severity is Severity.ERROR]
    assert any((at, where) == (line, column) and message in said for at, where, said in told), told


def test_a_size_that_a_procedure_states_for_all_its_steps_must_fit_them_all() -> None:
    ohms = "- {id: c, kind: reading, point: X3, reference: bar, measure: resistance, limits: <= 2 Ohm}\n"
    text = with_steps(A + ohms).replace("steps:", "judging: {rule: simple, max_uncertainty: 0.2 V}\nsteps:")
    (problem,) = examine(text, "p").problems
    assert (problem.line, problem.severity) == (5, Severity.ERROR)
    assert problem.message == "in V, but step 'c' is measured in Ohm; write a percentage"
    assert examine(text.replace("0.2 V", "5 %"), "p").problems == ()


def test_simple_acceptance_without_a_largest_uncertainty_is_warned_of_where_it_is_chosen() -> None:
    (problem,) = examine(with_steps(step("judging: {rule: simple}")), "p").problems
    assert problem.severity is Severity.WARNING
    assert "simple acceptance without max_uncertainty" in problem.message
    assert examine(with_steps(A), "p").problems == ()


def test_a_reading_is_referred_to_by_id_or_by_point_and_the_last_before_counts() -> None:
    again = A.replace("id: a", "id: again")
    procedure = parse_procedure(with_steps(A + again + step("source: x", "within 0.3 V of X1")), "p")
    by_point = procedure.steps[2]
    assert isinstance(by_point, ReadingStep)
    partner = partner_of(by_point, procedure.steps)
    assert partner is not None
    assert partner.id == "again"
    procedure = parse_procedure(with_steps(A + again + step("source: x", "within 0.3 V of a")), "p")
    by_id = procedure.steps[2]
    assert isinstance(by_id, ReadingStep)
    partner = partner_of(by_id, procedure.steps)
    assert partner is not None
    assert partner.id == "a"


@pytest.mark.parametrize(
    ("text", "low", "high"),
    [
        ("within 0.3 V of G1:+", "25.11", "25.71"),
        ("within 300 mV of G1:+", "25.11", "25.71"),
        ("within 10 % of G1:+", "22.869", "27.951"),
        ("0..0.3 V below G1:+", "25.11", "25.41"),
        ("0.1..0.3 V above G1:+", "25.51", "25.71"),
    ],
)
def test_limits_that_refer_to_a_reading_are_worked_out_exactly(text: str, low: str, high: str) -> None:
    limits = parse_limits(text)
    assert limits.relative_to == "G1:+"
    around = limits.around(Decimal("25.41"), "V", "25.41 V")
    assert (around.text, around.low, around.high, around.unit) == (
        f"{text} (25.41 V)",
        Decimal(low),
        Decimal(high),
        "V",
    )
    assert around.relative_to is None


def test_the_schema_knows_the_keys() -> None:
    document = {
        "procedure": "p",
        "title": "P",
        "revision": 1,
        "cautions": ["Take care."],
        "calibration": "required",
        "judging": {"rule": "guarded", "coverage_factor": 2},
        "steps": [
            {
                "id": "a",
                "kind": "reading",
                "point": "X1",
                "reference": "bar",
                "measure": "dc-voltage",
                "limits": "24..29 V",
                "source": "practice",
                "source_resistance": "10 kOhm",
                "judging": {"rule": "simple", "max_uncertainty": "0.2 V"},
            }
        ],
    }
    validator = Draft202012Validator(procedure_schema())
    assert list(validator.iter_errors(document)) == []
    assert list(validator.iter_errors({**document, "judging": {"rule": "strict"}})) != []
    assert list(validator.iter_errors({**document, "judging": None})) != []
