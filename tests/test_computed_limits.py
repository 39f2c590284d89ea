"""`expect: computed`: what the file format takes and refuses, the limits that come of it, and that a job keeps them."""

import json
from collections.abc import Callable
from decimal import ROUND_CEILING, ROUND_FLOOR, Decimal
from pathlib import Path
from typing import Any

import pytest
import yaml
from jsonschema import Draft202012Validator

from circuit_samples import circuit_text
from commands import lines, only, shown, steadypoint
from hunting import CIRCUIT, Chain, Hunting, alter, job_of, prepared
from known_meter import known_meter
from meterlink.circuit.parse import parse_circuit
from meterlink.circuit.solve import Bench
from meterlink.circuit.spread import Wanted, spreads
from meterlink.errors import FileError, RecordError
from meterlink.procedure.model import ReadingStep
from meterlink.procedure.parse import examine
from meterlink.procedure.schema import procedure_schema
from meterlink.record.entry import Kind
from meterlink.record.store import Store
from meterlink.session import Session
from procedure_samples import unmark

HEAD = """\
procedure: sample
title: Sample
revision: 1
circuit: chain.yaml
cautions: [Take care.]
references: [{name: earth bar, where: In the controller box., node: PE}]
steps:
"""
RELAY = """\
  - id: relay
    kind: reading
    point: "K1:A1"
    reference: earth bar
    measure: dc-voltage
    expect: computed
"""
COMPUTED = HEAD + RELAY


def limits_of(procedure: str, circuit: str = CIRCUIT, step: int = 0) -> str:
    """The text of a step's limits, once the circuit has given them."""
    found = prepared(procedure, circuit).procedure.steps[step]
    assert isinstance(found, ReadingStep)
    return found.limits.text


# The file format


def test_the_loader_leaves_the_limits_to_the_circuit() -> None:
    examined = examine(COMPUTED, "sample.yaml")
    assert examined.problems == ()
    assert examined.procedure is not None
    (step,) = examined.procedure.steps
    assert isinstance(step, ReadingStep)
    assert (step.expect, step.limits.computed) == ("computed", True)
    # Until then they accept nothing, and nothing passes by mistake.
    assert not step.limits.accept(Decimal("26.4"))
    assert not step.limits.accept(Decimal(0))
    assert not step.limits.accept(None)


WITHOUT_CIRCUIT = COMPUTED.replace("circuit: chain.yaml\n", "")


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (
            COMPUTED.replace("expect: computed", "expect: ¶computed\n    limits: 22..29 V"),
            "limits are given as well; leave one out",
        ),
        (
            WITHOUT_CIRCUIT.replace("expect: computed", "expect: ¶computed"),
            "computed needs the procedure's circuit; add the key circuit",
        ),
        (
            COMPUTED.replace("measure: dc-voltage", "measure: ¶ac-voltage"),
            "a circuit gives DC volts and ohms, not ac-voltage",
        ),
        (
            WITHOUT_CIRCUIT.replace("expect: computed", "limits: 22..29 V\n    on_fail: ¶find"),
            "find needs the procedure's circuit; add the key circuit",
        ),
        (
            WITHOUT_CIRCUIT.replace("expect: computed", "limits: 22..29 V\n    situation: ¶isolated"),
            "situation needs the procedure's circuit; add the key circuit",
        ),
        (
            WITHOUT_CIRCUIT.replace("expect: computed", "limits: 22..29 V").replace(
                "cautions", "situation: ¶isolated\ncautions"
            ),
            "situation needs the procedure's circuit; add the key circuit",
        ),
        (
            WITHOUT_CIRCUIT.replace("expect: computed", "limits: 22..29 V").replace(
                "cautions", "symptom: ¶will-not-run\ncautions"
            ),
            "symptom needs the procedure's circuit; add the key circuit",
        ),
        (
            WITHOUT_CIRCUIT.replace("expect: computed", "limits: 22..29 V").replace(
                "cautions", "begin_with: ¶find\ncautions"
            ),
            "find needs the procedure's circuit; add the key circuit",
        ),
        (
            COMPUTED.replace("id: relay", "id: ¶find-1"),
            "ids that begin with 'find-' are those of a search's own steps",
        ),
    ],
)
def test_what_makes_no_sense_is_refused_where_it_stands(text: str, message: str) -> None:
    bare, line, column = unmark(text)
    examined = examine(bare, "sample.yaml")
    assert examined.procedure is None
    errors = [(each.line, each.column, each.message) for each in examined.problems if each.severity == "error"]
    assert errors == [(line, column, message)]


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (
            COMPUTED.replace("expect: computed", "expect: ¶guessed"),
            "expect 'guessed' is not known, expected 'computed'",
        ),
        (
            COMPUTED.replace("cautions", "uncaught: [¶{fault: open:F1}]\ncautions"),
            "key 'reason' is missing, an entry of uncaught needs it",
        ),
        (
            COMPUTED.replace("cautions", "uncaught: [{fault: open:F1, ¶why: none}]\ncautions"),
            "key 'why' is not known in an entry of uncaught; known are fault, reason",
        ),
        (
            COMPUTED.replace("expect", "on_fail: ¶search\n    expect"),
            "on_fail 'search' is not known, expected 'continue', 'stop', 'find' or 'go-to ID'",
        ),
        (
            COMPUTED.replace("cautions", "begin_with: ¶end\ncautions"),
            "begin_with 'end' is not known, expected 'steps' or 'find'",
        ),
    ],
)
def test_a_wrong_shape_is_refused_where_it_stands(text: str, message: str) -> None:
    bare, line, column = unmark(text)
    examined = examine(bare, "sample.yaml")
    assert examined.procedure is None
    assert [each.message for each in examined.problems if (each.line, each.column) == (line, column)] == [message]


def test_without_limits_and_without_expect_the_limits_are_missing() -> None:
    examined = examine(COMPUTED.replace("    expect: computed\n", ""), "sample.yaml")
    assert [each.message for each in examined.problems] == ["key 'limits' is missing, a reading step needs it"]


def test_an_id_with_that_beginning_is_nothing_special_without_a_circuit() -> None:
    text = WITHOUT_CIRCUIT.replace("id: relay", "id: find-the-fuse").replace("expect: computed", "limits: 22..29 V")
    assert examine(text, "sample.yaml").problems == ()


# What only the circuit tells: `lint` and `check` say it alike.

AUDITED = [
    (COMPUTED.replace('point: "K1:A1"', 'point: ¶"K1:A9"'), "the circuit chain has no point 'K1:A9' to 'earth bar'"),
    (COMPUTED.replace("expect: computed", "expect: computed\n    situation: ¶raining"), "situation 'raining'"),
    (
        COMPUTED.replace("expect: computed", "situation: open-limit\n    expect: ¶computed").replace("K1:A1", "B1:12"),
        "B1:12 floats in the situation open-limit: nothing can be expected",
    ),
    (
        COMPUTED.replace("node: PE", "node: ¶PX"),
        "the circuit chain has no node 'PX'",
    ),
    (
        COMPUTED.replace("expect: computed", "limits: 22..29 V\n    on_fail: find").replace('"K1:A1"', '¶"K1:A9"'),
        "the circuit chain has no point 'K1:A9': no search can begin there",
    ),
    (COMPUTED.replace("cautions", "symptom: ¶hums\ncautions"), "symptom 'hums': expected one of will-not-run"),
    (COMPUTED.replace("cautions", "situation: ¶raining\ncautions"), "situation 'raining': expected one of rest"),
    (COMPUTED.replace("circuit: chain.yaml", "circuit: ¶other.yaml"), "the circuit cannot be used: no such file"),
]
OPEN_LIMIT = CIRCUIT.replace(
    "situations:\n", "situations:\n  - {name: open-limit, operated: B1, apart: [B2]}\n"
)  # B1:12 lies between the two


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "chain.yaml").write_text(OPEN_LIMIT, encoding="utf-8")
    return tmp_path


@pytest.mark.parametrize(("text", "message"), AUDITED)
def test_lint_holds_a_procedure_against_its_circuit(folder: Path, text: str, message: str) -> None:
    bare, line, column = unmark(text)
    path = folder / "sample.yaml"
    path.write_text(bare, encoding="utf-8")
    result = steadypoint(folder / "home", "lint", str(path), "--json")
    assert result.returncode == 2
    errors = [each for each in lines(result.stdout) if each["severity"] == "error"]
    assert [(each["line"], each["column"]) for each in errors] == [(line, column)]
    assert message in str(errors[0]["message"])


@pytest.mark.parametrize("text", [AUDITED[0][0], AUDITED[1][0], AUDITED[2][0], AUDITED[-1][0]])
def test_a_check_does_not_begin_with_what_cannot_be_computed(folder: Path, text: str) -> None:
    path = folder / "sample.yaml"
    path.write_text(unmark(text)[0], encoding="utf-8")
    result = steadypoint(folder / "home", "check", str(path), "--meter", "sim:healthy", "--accept-cautions")
    assert (result.returncode, result.stdout) == (2, "")
    assert "Traceback" not in result.stderr
    assert ("yaml:" in result.stderr, "\n" in result.stderr.rstrip("\n")) == (True, False)


def test_a_circuit_that_is_not_sound_is_told_with_its_own_place(folder: Path) -> None:
    (folder / "chain.yaml").write_text(OPEN_LIMIT.replace("kind: fuse", "kind: fuze"), encoding="utf-8")
    path = folder / "sample.yaml"
    path.write_text(COMPUTED, encoding="utf-8")
    (problem,) = lines(steadypoint(folder / "home", "lint", str(path), "--json").stdout)
    assert problem["line"] == 4  # circuit: chain.yaml
    assert "the circuit cannot be used" in str(problem["message"])
    result = steadypoint(folder / "home", "check", str(path), "--meter", "sim:healthy", "--accept-cautions")
    assert f"{folder / 'chain.yaml'}:6:" in result.stderr


# The limits

SIMPLE = circuit_text(
    'id: G1, kind: source, from: PE, to: "G1:+", volts: 24.003..26.007 V, resistance: 1..1 mOhm',
    'id: R1, kind: resistor, from: "G1:+", to: "X1:1", resistance: 1000..1001 Ohm',
    'id: R2, kind: resistor, from: "X1:1", to: PE, resistance: 3000..3001 Ohm',
    'id: B1, kind: contact, from: "X1:1", to: "X1:2", normally: open, resistance: 0.5..0.9 Ohm',
    'id: R3, kind: resistor, from: "X1:2", to: PE, resistance: 499.9..500.1 Ohm',
    more="situations: [{name: pressed, operated: B1}, {name: isolated, apart: G1}]\n",
)


def simple(point: str, more: str = "", reference: str = "PE") -> str:
    text = HEAD.replace("references: [{name: earth bar, where: In the controller box., node: PE}]\n", "")
    step = RELAY.replace("K1:A1", point).replace("earth bar", reference).replace("    expect", f"{more}    expect")
    return text + step


@pytest.mark.parametrize(
    ("procedure", "limits"),
    [
        # The source's span, less a drop of microvolts: 24.0029.. down to 24.00, 26.0069.. up to 26.01.
        (simple("G1:+"), "24.00..26.01 V"),
        # 24.003 * 3000 / 4001 = 17.9977, 26.007 * 3001 / 4001 = 19.5069.
        (simple("X1:1"), "17.99..19.51 V"),
        # Across R1, 24.003 * 1000 / 4001 = 5.9993 to 26.007 * 1001 / 4001 = 6.5066, with the black lead on X1:1.
        (simple("G1:+", reference="X1:1"), "5.99..6.51 V"),
        # At rest B1 is open and R3 holds X1:2 at 0: a dead point is given 0.1 V to either side.
        (simple("X1:2"), "-0.10..0.10 V"),
    ],
)
def test_voltages_are_the_worst_case_rounded_outwards(procedure: str, limits: str) -> None:
    assert limits_of(procedure, SIMPLE) == limits


def test_another_situation_gives_other_limits() -> None:
    pressed = limits_of(simple("X1:2", "    situation: pressed\n"), SIMPLE)
    # R2 and R3 together: 428.57 Ohm, of which B1's 0.5..0.9 Ohm take next to nothing.
    least, most = (Decimal(each) for each in pressed.removesuffix(" V").split(".."))
    assert float(least) == pytest.approx(24.003 * 428.57 / 1429.6, abs=0.05)
    assert float(most) == pytest.approx(26.007 * 428.57 / 1428.6, abs=0.05)
    whole = simple("X1:2").replace("cautions", "situation: pressed\ncautions")
    assert limits_of(whole, SIMPLE) == pressed


@pytest.mark.parametrize(
    ("point", "reference", "more", "limits"),
    [
        # The source is out: R2 alone, and 0.5 Ohm for the leads (manufacturers' notes: 0.2 to 0.5 Ohm a pair).
        ("X1:1", "PE", "", "3000.0..3001.5 Ohm"),
        ("G1:+", "X1:1", "", "1000.0..1001.5 Ohm"),
        ("X1:1", "X1:2", "    situation: pressed\n", "0.4..1.4 Ohm"),  # B1 beside R2 and R3: 0.4999 to 0.8998 Ohm
        ("X1:1", "X1:2", "", "3499.9..3501.6 Ohm"),  # and without it
    ],
)
def test_ohms_are_those_without_the_supply_and_with_the_leads(
    point: str, reference: str, more: str, limits: str
) -> None:
    procedure = simple(point, more, reference).replace("dc-voltage", "resistance")
    assert limits_of(procedure, SIMPLE) == limits


def test_where_nothing_joins_two_points_ohms_read_ol() -> None:
    alone = SIMPLE.replace(
        'id: R3, kind: resistor, from: "X1:2", to: PE', 'id: R3, kind: resistor, from: "X1:2", to: "X1:3"'
    )
    assert limits_of(simple("X1:1", reference="X1:2").replace("dc-voltage", "resistance"), alone) == "OL"


@pytest.mark.parametrize("point", ["G1:+", "F1:2", "B1:12", "B2:12", "K1:A1"])
def test_the_limits_are_the_spread_rounded_outwards(point: str) -> None:
    spread = spreads(Bench(parse_circuit(CIRCUIT, "chain.yaml")), [Wanted(point)])[Wanted(point)]
    assert spread.low is not None
    assert spread.high is not None
    low, high = (Decimal(each) for each in limits_of(COMPUTED.replace("K1:A1", point)).removesuffix(" V").split(".."))
    assert low == Decimal(spread.low).quantize(Decimal("0.01"), ROUND_FLOOR)
    assert high == Decimal(spread.high).quantize(Decimal("0.01"), ROUND_CEILING)


def test_a_computed_step_says_where_its_limits_come_from() -> None:
    (step,) = prepared(COMPUTED).procedure.steps
    assert isinstance(step, ReadingStep)
    assert step.source == "Computed from the circuit chain.yaml, situation rest, worst case of its parts"
    (own,) = prepared(COMPUTED.replace("expect:", "source: My own words\n    expect:")).procedure.steps
    assert isinstance(own, ReadingStep)
    assert own.source == "My own words"


def test_other_steps_may_refer_to_a_computed_one() -> None:
    text = COMPUTED + RELAY.replace("relay", "coil").replace("expect: computed", "limits: within 0.3 V of relay")
    hunting = Hunting.at(Chain(), prepared(text)).touch("26.40").touch("26.30")
    assert hunting.verdicts == [("relay", "pass"), ("coil", "pass")]


@pytest.mark.parametrize(
    ("shown", "outcome"), [("26.40", "pass"), ("24.10", "pass"), ("23.80", "fail"), ("29.00", "fail")]
)
def test_a_reading_is_judged_by_them(shown: str, outcome: str) -> None:
    hunting = Hunting.at(Chain(), prepared(COMPUTED)).touch(shown)
    assert hunting.verdicts == [("relay", outcome)]
    assert hunting.of("verdict")[0]["limits"] == limits_of(COMPUTED)


# The record

TWO = COMPUTED + RELAY.replace("id: relay", "id: battery").replace("K1:A1", "G1:+")


def begun(store: Store) -> Hunting:
    hunting = Hunting.recorded(Chain(), Session.begin(store, prepared(TWO), "sim:test", known_meter()))
    return hunting.touch("26.40")


def test_the_limits_are_kept_with_the_job_and_the_circuit(tmp_path: Path) -> None:
    with Store.open(tmp_path) as store:
        begun(store)
        (start,) = store.events(job_of(store), [Kind.START])
    assert start.body["computed"] == {"relay": limits_of(TWO), "battery": limits_of(TWO, step=1)}
    assert start.body["circuit"] == {"name": "chain", "revision": "1", "text": CIRCUIT}


def test_resumed_it_goes_by_the_limits_that_were_kept(tmp_path: Path) -> None:
    """Whatever a later Steadypoint would compute: here the kept ones are made narrower for a step not yet judged."""
    with Store.open(tmp_path) as store:
        begun(store)
    alter(tmp_path, "UPDATE event SET body = json_set(body, '$.computed.battery', '25..26 V') WHERE kind = 'start'")
    with Store.open(tmp_path) as store:
        session = Session.resume(store, job_of(store), known_meter())
        hunting = Hunting.recorded(Chain(), session).touch("26.40")
        assert hunting.verdicts == [("battery", "fail")]
        assert hunting.of("verdict")[0]["limits"] == "25..26 V"


def test_limits_that_a_verdict_was_given_by_cannot_be_changed_unnoticed(tmp_path: Path) -> None:
    with Store.open(tmp_path) as store:
        begun(store)
    alter(tmp_path, "UPDATE event SET body = json_set(body, '$.computed.relay', '20..29 V') WHERE kind = 'start'")
    with Store.open(tmp_path) as store, pytest.raises(RecordError, match="does not replay"):
        Session.resume(store, job_of(store), known_meter())


def test_a_check_tells_and_shows_the_computed_limits(folder: Path) -> None:
    path = folder / "sample.yaml"
    path.write_text(TWO, encoding="utf-8")
    home = folder / "home"
    meter = f"sim:healthy?procedure={path}&speed=max"
    arguments = ("--meter", meter, "--sheet", "six-thousand-counts", "--accept-cautions", "--json")
    result = steadypoint(home, "check", str(path), *arguments)
    assert (result.returncode, result.stderr) == (0, "")
    told = lines(result.stdout)
    computed = [limits_of(TWO, OPEN_LIMIT, step) for step in (0, 1)]
    assert [each["limits"] for each in only(told, "verdict")] == computed
    assert all(str(each["limits_source"]).startswith("Computed from the circuit") for each in only(told, "verdict"))
    job = str(told[0]["job"])
    (start,) = only(shown(home, job), "start")
    assert start["computed"] == dict(zip(("relay", "battery"), computed, strict=True))
    page = steadypoint(home, "show", job).stdout
    assert all(limits in page for limits in computed)


def test_a_circuit_that_changed_meanwhile_does_not_matter_to_a_job(folder: Path) -> None:
    """The text that the job began with is in the record."""
    path = folder / "sample.yaml"
    path.write_text(TWO, encoding="utf-8")
    with Store.open(folder) as store:
        begun(store)
        (folder / "chain.yaml").unlink()
        path.unlink()
        session = Session.resume(store, job_of(store), known_meter())
        assert Hunting.recorded(Chain(), session).touch("26.40").verdicts == [("battery", "pass")]


def test_a_circuit_that_is_gone_ends_a_check_before_it_begins() -> None:
    with pytest.raises(FileError, match="has no point"):
        prepared(COMPUTED, CIRCUIT.replace("K1:A1", "K1:A7"))


# The schema

FULL: dict[str, Any] = {
    **yaml.safe_load(COMPUTED),
    "situation": "rest",
    "begin_with": "find",
    "symptom": "will-not-run",
    "uncaught": [{"fault": "bridged:*", "reason": "Worked by hand in the function test."}],
}


@pytest.fixture(scope="module")
def schema() -> Draft202012Validator:
    Draft202012Validator.check_schema(procedure_schema())
    return Draft202012Validator(procedure_schema())


def step_of(procedure: Any) -> dict[str, Any]:
    step: dict[str, Any] = procedure["steps"][0]
    return step


@pytest.mark.parametrize(
    "change",
    [
        lambda procedure: None,
        lambda procedure: step_of(procedure).update(on_fail="find"),
        lambda procedure: step_of(procedure).update(situation="isolated"),
        lambda procedure: procedure.update(begin_with="steps"),
        lambda procedure: procedure.update(uncaught=[]),
        lambda procedure: (step_of(procedure).pop("expect"), step_of(procedure).update(limits="22..29 V")),
        lambda procedure: procedure["references"][0].pop("node"),
    ],
)
def test_the_schema_takes_what_the_loader_takes(schema: Draft202012Validator, change: Callable[[Any], object]) -> None:
    procedure = json.loads(json.dumps(FULL))
    change(procedure)
    assert list(schema.iter_errors(procedure)) == []
    assert examine(yaml.safe_dump(procedure), "sample.yaml").problems == ()


@pytest.mark.parametrize(
    "change",
    [
        lambda procedure: step_of(procedure).update(limits="22..29 V"),
        lambda procedure: step_of(procedure).pop("expect"),
        lambda procedure: step_of(procedure).update(expect="guessed"),
        lambda procedure: step_of(procedure).update(on_fail="search"),
        lambda procedure: step_of(procedure).update(situation="two words"),
        lambda procedure: procedure.update(begin_with="end"),
        lambda procedure: procedure.update(uncaught=[{"fault": "bridged:*"}]),
        lambda procedure: procedure.update(uncaught=[{"fault": "bridged:*", "reason": ""}]),
        lambda procedure: procedure.update(uncaught="bridged:*"),
    ],
)
def test_the_schema_refuses_what_the_loader_refuses(
    schema: Draft202012Validator, change: Callable[[Any], object]
) -> None:
    procedure = json.loads(json.dumps(FULL))
    change(procedure)
    assert not schema.is_valid(procedure)
    assert examine(yaml.safe_dump(procedure), "sample.yaml").procedure is None


@pytest.mark.parametrize("key", ["circuit", "situation", "symptom"])
def test_the_schema_takes_an_absent_key_and_no_null(schema: Draft202012Validator, key: str) -> None:
    """The loader takes every scalar for text, and would look for a symptom of the name `null`."""
    assert schema.is_valid({name: value for name, value in FULL.items() if name != key})
    assert not schema.is_valid({**FULL, key: None})
