"""`steadypoint solve`: its JSON is a contract, and its numbers are those of the circuit."""

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import numpy as np
import pytest

from circuit_samples import SHORT_CHAIN, circuit_text
from commands import Result, steadypoint
from meterlink.circuit.fault import parse_faults
from meterlink.circuit.load import load_circuit
from meterlink.circuit.materials import Span
from nodal import Drawn

LOADED = circuit_text(
    'id: G1, kind: source, from: PE, to: "G1:+", volts: 24 V, resistance: 1..1 mOhm',
    'id: R1, kind: resistor, from: "G1:+", to: "X1:1", resistance: 10 MOhm',
    'id: B1, kind: contact, from: "G1:+", to: "X1:2", normally: open',
    'id: W1, kind: conductor, from: "X1:2", to: "X1:3", resistance: 1 Ohm',
    more="situations: [{name: pressed, operated: B1}]\n",
)
"""A point behind 10 MOhm, and two that float while B1 is open."""

RELAY = circuit_text(
    'id: G1, kind: source, from: PE, to: "G1:+", volts: 24 V, resistance: 1..1 mOhm',
    'id: S1, kind: contact, from: "G1:+", to: "K1:A1", normally: open',
    'id: K1, kind: coil, from: "K1:A1", to: PE, resistance: 650 Ohm',
    'id: K1.1, kind: contact, from: "G1:+", to: "K1:14", normally: open, coil: K1',
    'id: P1, kind: lamp, from: "K1:14", to: PE, resistance: 480 Ohm',
    'id: K1.2, kind: contact, from: "G1:+", to: "K1:22", coil: K1',
    'id: P2, kind: lamp, from: "K1:22", to: PE, resistance: 480 Ohm',
    more="situations: [{name: called, operated: S1}]\n",
)
"""A relay with a contact that makes and one that breaks."""


@pytest.fixture
def home(tmp_path: Path) -> Path:
    return tmp_path / "home"


def solve(home: Path, *arguments: str) -> dict[str, Any]:
    result = steadypoint(home, "solve", *arguments, "--json")
    assert (result.returncode, result.stderr) == (0, "")
    read: dict[str, Any] = json.loads(result.stdout)
    return read


def text_at(tmp_path: Path, text: str) -> str:
    path = tmp_path / "circuit.yaml"
    path.write_text(text, encoding="utf-8")
    return str(path)


# The contract


def test_json_has_just_the_keys_and_types_of_the_contract(home: Path) -> None:
    solved = solve(home, "start-up")
    kinds = {"circuit": str, "revision": str, "situation": str, "fault": str, "points": dict, "works": dict}
    assert {key: type(value) for key, value in solved.items()} == kinds
    assert (solved["circuit"], solved["situation"], solved["fault"]) == ("start-up", "rest", "none")
    assert list(solved["points"]) == list(load_circuit("start-up").circuit.nodes)
    for point in solved["points"].values():
        assert list(point) == ["value", "low", "high", "floating", "likely"]
        assert [type(point[key]) for key in ("value", "low", "high", "floating")] == [float, float, float, bool]
        assert [type(each) for each in point["likely"]] == [float, float]
    assert solved["points"]["PE"] == {"value": 0.0, "low": 0.0, "high": 0.0, "floating": False, "likely": [0.0, 0.0]}


def test_values_are_not_rounded(home: Path) -> None:
    # 26.4 V, the middle of 24.0..28.8 V, divided by the chain's milliohms: no display shows so many digits.
    value = solve(home, "start-up", "--situation", "charger-off")["points"]["K1:A1"]["value"]
    assert value != round(value, 6)


def test_a_floating_point_has_no_numbers(home: Path, tmp_path: Path) -> None:
    points = solve(home, text_at(tmp_path, LOADED))["points"]
    floats = {"value": None, "low": None, "high": None, "floating": True, "likely": None}
    assert [points["X1:2"], points["X1:3"]] == [floats, floats]
    pressed = solve(home, text_at(tmp_path, LOADED), "--situation", "pressed")["points"]
    assert pressed["X1:3"]["floating"] is False
    assert pressed["X1:3"]["value"] == pytest.approx(24.0, abs=1e-5)


# The meter loads what it measures: a divider of the source's 10 MOhm and its own resistance.


@pytest.mark.parametrize(("impedance", "ohms"), [(None, 10e6), ("1 MOhm", 1e6), ("10 GOhm", 1e10)])
def test_the_meter_is_one_of_10_megohm_unless_told(
    home: Path, tmp_path: Path, impedance: str | None, ohms: float
) -> None:
    stated = () if impedance is None else ("--impedance", impedance)
    point = solve(home, text_at(tmp_path, LOADED), *stated)["points"]["X1:1"]
    # R1 is within 5 %: the format's tolerance of a resistor that states none.
    assert point["value"] == pytest.approx(24 * ohms / (ohms + 10e6), rel=1e-6)
    assert point["low"] == pytest.approx(24 * ohms / (ohms + 10.5e6), rel=1e-6)
    assert point["high"] == pytest.approx(24 * ohms / (ohms + 9.5e6), rel=1e-6)


# Faults. The chain: 27.3 V (12 cells at 2.275 V), 20 + 5 mOhm, 25 m at 26 Ohm/km, 30 mOhm, and a relay of 480 Ohm.

UPSTREAM = 0.020 + 0.005 + 25 * 0.026 + 0.030


@pytest.mark.parametrize(
    ("faults", "expected"),
    [
        ((), {"G1:+": 27.3 * (1 - 0.020 / (UPSTREAM + 480)), "X1:4": 27.3 * 480 / (UPSTREAM + 480)}),
        (("open:B1",), {"X1:3": 27.3, "X1:4": 0.0}),
        (("high:B1",), {"X1:4": 27.3 * 480 / (UPSTREAM + 100 + 480)}),
        (("high:B1@47 Ohm",), {"X1:4": 27.3 * 480 / (UPSTREAM + 47 + 480)}),
        (("high:B1@47 Ohm", "high:F1@53 Ohm"), {"X1:4": 27.3 * 480 / (UPSTREAM + 100 + 480)}),
        (("high:B1@47 Ohm + high:F1@53 Ohm",), {"X1:4": 27.3 * 480 / (UPSTREAM + 100 + 480)}),
        (("bridged:B1",), {"X1:4": 27.3 * 480 / (UPSTREAM - 0.030 + 0.010 + 480)}),
        (("earth:X1:3",), {"X1:3": 27.3 * 0.001 / (0.020 + 0.005 + 25 * 0.026 + 0.001), "X1:4": 0.00004}),
        (("source:G1",), {"G1:+": 0.0, "X1:4": 0.0}),
        (("source:G1@18 V",), {"X1:4": 18 * 480 / (UPSTREAM + 480)}),
    ],
)
def test_a_fault_reads_as_ohm_s_law_has_it(
    home: Path, tmp_path: Path, faults: tuple[str, ...], expected: Mapping[str, float]
) -> None:
    given = [argument for fault in faults for argument in ("--fault", fault)]
    points = solve(home, text_at(tmp_path, SHORT_CHAIN), *given)["points"]
    # The meter itself takes 2.7 uA through less than 600 Ohm; behind a short some tens of microvolts are left.
    assert {node: points[node]["value"] for node in expected} == pytest.approx(expected, rel=2e-5, abs=0.05)
    assert all(point["low"] <= point["value"] <= point["high"] for point in points.values())


def test_the_fault_is_named_as_commands_write_it(home: Path) -> None:
    solved = solve(home, "start-up", "--fault", "open:F1", "--fault", "high:B1@47 Ohm")
    assert solved["fault"] == "high:B1 + open:F1"


def test_a_blown_fuse_that_a_lamp_feeds_past_reads_a_little(home: Path) -> None:
    """H1 and H2, 10 kOhm each, feed the relay of 650 Ohm: V = 2 * 26.4 / 10k / (2 / 10k + 1 / 650)."""
    points = solve(home, "branched-chain", "--fault", "open:F1")["points"]
    assert points["F1:2"]["value"] == pytest.approx(2 * 26.4e-4 / (2e-4 + 1 / 650), rel=1e-3)


# Relays


@pytest.mark.parametrize(
    ("arguments", "made", "broken"),
    [
        ((), 0.0, 24.0),
        (("--situation", "called"), 24.0, 0.0),
        (("--situation", "called", "--fault", "open:K1"), 0.0, 24.0),
        # 80 % of 24 V, 19.2 V, is the least at which it works where nothing is said (relay data sheets: 70 to 80 %).
        (("--situation", "called", "--fault", "source:G1@19.1 V"), 0.0, 19.1),
        (("--situation", "called", "--fault", "source:G1@19.3 V"), 19.3, 0.0),
    ],
)
def test_relays_move_their_contacts(
    home: Path, tmp_path: Path, arguments: tuple[str, ...], made: float, broken: float
) -> None:
    solved = solve(home, text_at(tmp_path, RELAY), *arguments)
    volts = [solved["points"][node]["value"] for node in ("K1:14", "K1:22")]
    assert volts == pytest.approx([made, broken], abs=0.01)
    # A lamp counts as lit from 80 % of the highest source on, at its nominal 24 V.
    assert solved["works"] == {"K1": made > 1, "P1": made > 19.2, "P2": broken > 19.2}


# The spread


@pytest.mark.parametrize(
    ("name", "situation", "fault"),
    [
        ("start-up", "rest", "none"),
        ("start-up", "rest", "high:B3@47 Ohm"),
        ("start-up", "stop-pressed", "none"),
        ("start-up", "rest", "earth:X5:4"),
        ("two-stop-lift", "call-up", "none"),
        ("two-stop-lift", "call-up", "open:K1"),
        ("two-stop-lift", "called-down", "high:B4@100 Ohm"),
    ],
)
def test_every_circuit_that_its_parts_allow_lies_within_the_spread(
    home: Path, name: str, situation: str, fault: str
) -> None:
    """400 circuits, every value drawn evenly from its span, solved by a textbook's matrix."""
    circuit = load_circuit(name).circuit
    faults = parse_faults(circuit, fault)
    points = solve(home, name, "--situation", situation, "--fault", fault)["points"]
    rng = np.random.default_rng(20260101)

    def drawn(span: Span) -> float:
        return float(rng.uniform(span.low, span.high))

    inside = 0
    for _ in range(400):
        ohms = [drawn(part.ohms) for part in circuit.parts]
        volts = [drawn(part.volts) if part.volts else 0.0 for part in circuit.parts]
        shown, _ = Drawn(circuit, ohms, volts).metered(situation, faults)
        for node, value in shown.items():
            point = points[node]
            if point["floating"]:
                assert abs(value) < 1e-3
                continue
            assert point["low"] - 1e-6 <= value <= point["high"] + 1e-6, (node, value, point)
            inside += point["likely"][0] <= value <= point["likely"][1]
    driven = sum(not point["floating"] for node, point in points.items() if node != circuit.reference)
    # `likely` is the middle 95 % of samples: of others, about as many lie in it, but for points that hardly vary.
    assert 0.90 < inside / (400 * driven) <= 1.0


def test_nominal_values_are_those_of_a_textbook_s_matrix(home: Path) -> None:
    circuit = load_circuit("two-stop-lift").circuit
    ohms = [part.ohms.nominal for part in circuit.parts]
    volts = [part.volts.nominal if part.volts else 0.0 for part in circuit.parts]
    for situation in ("rest", "call-up", "call-down", "called-up", "door-open"):
        solved = solve(home, "two-stop-lift", "--situation", situation)
        shown, working = Drawn(circuit, ohms, volts).metered(situation)
        values = {node: point["value"] or 0.0 for node, point in solved["points"].items() if node != "PE"}
        assert values == pytest.approx(shown, abs=1e-6)
        coils = {part.id for part in circuit.parts if part.pull is not None}
        assert {load for load, works in solved["works"].items() if works} & coils == working


# For people


def test_the_page_says_what_is_dead_what_floats_and_what_works(home: Path, tmp_path: Path) -> None:
    result = steadypoint(home, "solve", text_at(tmp_path, LOADED))
    assert result.returncode == 0
    rows = {line.split()[0]: line.split()[1:] for line in result.stdout.splitlines() if line.startswith(("G1", "X1"))}
    assert rows["G1:+"] == ["24.00", "V", "24.00", "V", "24.00", "V"]
    assert rows["X1:1"] == ["12.00", "V", "11.71", "V", "12.31", "V"]  # 24 / 2, and R1 within 5 %
    assert rows["X1:2"][0] == "floats:"
    assert (
        result.stdout.splitlines()[-1] == "Worked out from the circuit file, not measured: no permit to use the lift."
    )


def test_nothing_reads_as_minus_nothing(home: Path) -> None:
    result = steadypoint(home, "solve", "two-stop-lift", "--fault", "open:B1", "--situation", "call-up")
    assert "  0.00 V" in result.stdout
    assert "-0.00" not in result.stdout


def test_a_picture_is_written_with_every_tag_and_value(home: Path, tmp_path: Path) -> None:
    path = tmp_path / "chain.svg"
    result = steadypoint(home, "solve", text_at(tmp_path, SHORT_CHAIN), "--fault", "open:B1", "--picture", str(path))
    assert result.returncode == 0
    root = ElementTree.fromstring(path.read_text(encoding="utf-8"))  # noqa: S314 - our own
    assert root.tag == "{http://www.w3.org/2000/svg}svg"  # SVG 1.1, its namespace
    words = " ".join(root.itertext())
    assert [
        tag for tag in ("G1", "F1", "W1.3", "B1", "K1", "X1:3", "X1:4", "27.30 V", "0.00 V") if tag not in words
    ] == []


# Errors


def refused(home: Path, *arguments: str) -> str:
    result: Result = steadypoint(home, "solve", *arguments)
    assert (result.returncode, result.stdout) == (2, "")
    assert "Traceback" not in result.stderr
    return result.stderr


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (
            ("no-such",),
            "no circuit of that id; known are battery-charger, branched-chain, door-locks, emergency-stops, ",
        ),
        (("start-up", "--situation", "raining"), "situation 'raining': expected one of rest, charger-off,"),
        (("start-up", "--fault", "open:B9"), "no element 'B9'"),
        (("start-up", "--fault", "melted:B1"), "expected open:ID, high:ID, bridged:ID, earth:POINT, source:ID"),
        (("start-up", "--fault", "B1"), "expected open:ID"),
        (("start-up", "--fault", "earth:PE"), "the reference itself cannot be shorted to earth"),
        (("start-up", "--fault", "earth:B1:99"), "no point 'B1:99'"),
        (("start-up", "--fault", "source:B1"), "B1 is a contact, not a source"),
        (("start-up", "--fault", "high:B1@5 V"), "high:B1@47 Ohm"),
        (("start-up", "--fault", "high:B1@-5 Ohm"), "expected"),
        (("start-up", "--fault", "open:B1@5 Ohm"), "expected no size"),
        (("start-up", "--fault", "bridged:G1"), "G1 is a source; a short across it is earth:POINT"),
        (("branched-chain", "--fault", "high:V1"), "a diode has no resistance that could rise"),
        (("start-up", "--impedance", "5 V"), "expected a resistance above 0, such as 10 MOhm"),
        (("start-up", "--impedance", "0 Ohm"), "expected a resistance above 0, such as 10 MOhm"),
        (("start-up", "--impedance", "much"), "--impedance"),
    ],
)
def test_what_cannot_be_solved_is_said_clearly(home: Path, arguments: tuple[str, ...], says: str) -> None:
    assert says in refused(home, *arguments)


def test_a_bad_file_is_refused_with_the_place(home: Path, tmp_path: Path) -> None:
    path = text_at(tmp_path, SHORT_CHAIN.replace("kind: fuse", "kind: fuze"))
    # The fuse is the second element, in line 6.
    assert f"{path}:6:" in refused(home, path)


def test_relays_that_never_rest_are_refused(home: Path, tmp_path: Path) -> None:
    """A relay whose own contact feeds it is a buzzer."""
    buzzer = circuit_text(
        'id: G1, kind: battery, from: PE, to: "G1:+", cells: 12',
        'id: K1.1, kind: contact, from: "G1:+", to: "K1:A1", coil: K1',
        'id: K1, kind: coil, from: "K1:A1", to: PE, resistance: 650 Ohm',
    )
    assert "the relays of mine do not come to rest in rest" in refused(home, text_at(tmp_path, buzzer))


def test_a_picture_that_cannot_be_written_is_an_error(home: Path, tmp_path: Path) -> None:
    says = refused(home, text_at(tmp_path, SHORT_CHAIN), "--picture", str(tmp_path / "none" / "chain.svg"))
    assert "chain.svg" in says
