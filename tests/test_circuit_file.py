"""Circuit files: what each key comes to, every problem with its place, the schema, and `lint`."""

import json
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import yaml
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st
from jsonschema import Draft202012Validator

from meterlink.circuit.materials import Span
from meterlink.circuit.parse import examine_circuit, is_circuit, parse_circuit
from meterlink.circuit.parts import LEAST_OHMS, REST, Circuit, Kind, Part, Point, Pull, Showing, Situation
from meterlink.circuit.schema import circuit_schema
from meterlink.circuit.solve import Bench
from meterlink.cli import cli
from meterlink.procedure.problem import ProcedureError, Severity
from waiting import PATIENCE_S

# The smallest one, as the file format's contract shows it.
SHORT = """\
circuit: short-chain
title: Short chain
reference: PE
elements:
  - {id: G1, kind: battery, from: PE, to: "G1:+", cells: 12, state: float, resistance: 20 mOhm}
  - {id: F1, kind: fuse, from: "G1:+", to: "F1:2", resistance: 5 mOhm}
  - {id: W1.3, kind: conductor, from: "F1:2", to: "X1:3", length: 25 m, section: 0.75 mm2}
  - {id: B1, kind: contact, from: "X1:3", to: "X1:4", normally: closed, resistance: 30 mOhm}
  - {id: K1, kind: coil, from: "X1:4", to: PE, resistance: 480 Ohm}
points:                       # every node may be probed; what is listed has a cost, others take the default
  - {at: "X1:4", minutes: 0.5}
"""

# Every kind of element, and every key at least once.
EVERYTHING = """\
circuit: everything
title: One element of each kind
revision: 3
reference: PE
elements:
  - {id: G1, kind: battery, from: PE, to: "G1:+", cells: 12, state: 75 %, resistance: 20 mOhm, temperature: 5 °C}
  - {id: G2, kind: source, from: PE, to: "G2:+", volts: 23..28 V, resistance: 1 Ohm}
  - {id: T1, kind: charger, from: PE, to: "G1:+", volts: 27.3 V, resistance: 0.1..0.2 Ohm}
  - {id: W1, kind: conductor, from: "G1:+", to: "F1:1", length: 80 ft, section: 18 AWG, strand: solid}
  - {id: W2, kind: cable, from: "F1:1", to: "F1:2", length: 12 m, section: 0.75 mm², strand: 5-coated, prior: 5}
  - {id: F1, kind: fuse, from: "F1:2", to: "Q1:1", rating: 3.15 A}
  - {id: F2, kind: fuse, from: "G2:+", to: "Q1:1", resistance: 5 mOhm}
  - {id: Q1, kind: breaker, from: "Q1:1", to: "Q1:2", where: control box, minutes: 2}
  - id: B1
    kind: contact
    from: "Q1:2"
    to: "B1:12"
    normally: open
    resistance: 30 mOhm
    worn: 1..100 Ohm
    positive: yes
    coil: K1
  - {id: X1, kind: connector, from: "B1:12", to: "X1:2", resistance: 10 mOhm}
  - {id: R1, kind: resistor, from: "X1:2", to: PE, resistance: 1 kOhm}
  - {id: K1, kind: coil, from: "Q1:2", to: PE, resistance: 480 Ohm, rated: 24 V, operates: 16.8 V, releases: 2.4 V}
  - {id: H1, kind: lamp, from: "X1:2", to: PE, resistance: 100 Ohm}
  - {id: M1, kind: motor, from: "X1:2", to: PE, resistance: 0.8 Ohm ± 10 %}
  - {id: V1, kind: diode, from: PE, to: "Q1:2", saturation: 0.02 pA, emission: 1.5}
  - {id: X8, kind: jumper, from: "X1:2", to: "X8:2", resistance: 5 mOhm}
  - {id: X9, kind: jumper, from: "Q1:2", to: "X8:2", use: temporary}
points:
  - {at: "Q1:2", minutes: 3, reach: open the control box, probe: no}
minutes: 1
situations:
  - {name: held, title: The button is held, operated: B1, apart: [G2, T1], minutes: 2}
symptoms:
  - {name: dead, title: Nothing works, shows: [{in: rest, coil: K1, works: no}, {in: held, coil: M1, works: false}]}
priors: {fuse: 2, open: 0.5, none: 0}
cautions: [Only trained and authorised people work on lifts.]
"""


def problems(text: str) -> list[tuple[int, int, str]]:
    return [(each.line, each.column, each.message) for each in examine_circuit(text, "mine.yaml").problems]


def span(low: float, nominal: float, high: float) -> Any:
    return (pytest.approx(low, rel=1e-12), pytest.approx(nominal, rel=1e-12), pytest.approx(high, rel=1e-12))


def ends(found: Span | None) -> tuple[float, float, float]:
    assert found is not None
    return found.low, found.nominal, found.high


def one(keys: str, kind: str = "resistor") -> Part:
    """The part of the keys that are given, in a circuit with a source and a coil."""
    text = (
        "circuit: mine\ntitle: Mine\nreference: PE\nelements:\n"
        "  - {id: G1, kind: source, from: PE, to: A, volts: 24 V}\n"
        f"  - {{id: X, kind: {kind}, from: A, to: B, {keys}}}\n"
        "  - {id: K1, kind: coil, from: B, to: PE, resistance: 480 Ohm}\n"
    )
    return parse_circuit(text, "mine.yaml").by_id["X"]


# What the file says


def test_the_contract_s_circuit_comes_to_these_parts() -> None:
    circuit = parse_circuit(SHORT, "short.yaml")
    assert (circuit.name, circuit.title, circuit.revision, circuit.reference) == (
        "short-chain",
        "Short chain",
        "1",
        "PE",
    )
    assert circuit.nodes == ("PE", "G1:+", "F1:2", "X1:3", "X1:4")
    assert [(each.id, each.kind, *each.nodes) for each in circuit.parts] == [
        ("G1", Kind.BATTERY, "PE", "G1:+"),
        ("F1", Kind.FUSE, "G1:+", "F1:2"),
        ("W1.3", Kind.CONDUCTOR, "F1:2", "X1:3"),
        ("B1", Kind.CONTACT, "X1:3", "X1:4"),
        ("K1", Kind.COIL, "X1:4", "PE"),
    ]
    battery, fuse, lead, contact, coil = circuit.parts
    assert ends(battery.volts) == span(27.0, 27.3, 27.6)  # 2.25..2.30 V a cell on float (battery makers' manuals)
    assert ends(battery.ohms) == span(0.004, 0.02, 0.04)  # a fifth to twice what is stated (common practice, no source)
    assert ends(fuse.ohms) == span(0.001, 0.005, 0.01)
    # At most 26.0 Ohm/km (IEC 60228, class 5), at least 17.241 Ohm mm²/km, 0.00393 a kelvin (NBS Handbook 100).
    assert ends(lead.ohms) == span(0.025 * 17.241 / 0.75 * (1 - 0.00393 * 15), 0.65, 0.65 * (1 + 0.00393 * 20))
    assert ends(contact.ohms) == span(0.006, 0.03, 0.06)
    assert ends(coil.ohms) == span(432, 480, 528)  # ±10 % (relay data sheets)
    assert coil.pull is not None
    assert (coil.pull.operates, coil.pull.releases) == pytest.approx((19.2, 3.6))  # 80, 15 % (relay data sheets)
    assert circuit.points == {node: Point(0.5) for node in circuit.nodes}
    assert circuit.situations == {REST: Situation(REST)}
    assert (circuit.symptoms, circuit.priors, circuit.cautions) == ({}, {}, ())
    assert problems(SHORT) == []


def test_every_key_of_every_kind_is_taken() -> None:
    circuit = parse_circuit(EVERYTHING, "mine.yaml")
    by_id = circuit.by_id
    assert {part.kind for part in circuit.parts} == set(Kind)
    assert (circuit.revision, circuit.cautions) == ("3", ("Only trained and authorised people work on lifts.",))
    assert ends(by_id["G1"].volts) == span(12 * 2.05, 12 * 2.075, 12 * 2.1)
    assert ends(by_id["G2"].volts) == span(23, 25.5, 28)
    assert ends(by_id["T1"].volts) == span(27.3, 27.3, 27.3)
    assert ends(by_id["T1"].ohms) == span(0.1, 0.15, 0.2)
    # 80 ft of 18 AWG solid: 6.385 Ohm a 1000 ft at 20 °C (NBS Handbook 100).
    assert by_id["W1"].ohms.nominal == pytest.approx(0.08 * 6.385, abs=1e-4)
    assert ends(by_id["W2"].ohms)[1] == pytest.approx(0.012 * 26.7)  # IEC 60228, class 5, metal-coated
    assert ends(by_id["F1"].ohms) == span(0.7 * 0.037, 0.037, 1.3 * 0.037)  # fuse data sheets
    assert by_id["F2"].ohms.nominal == 0.005
    assert ends(by_id["Q1"].ohms) == (0.005, 0.02, 0.05)
    assert (by_id["Q1"].where, by_id["Q1"].minutes, by_id["W2"].weight, by_id["W1"].weight) == ("control box", 2, 5, 1)
    contact = by_id["B1"]
    assert (contact.conducts, contact.positive, contact.coil) == (False, True, "K1")
    assert ends(contact.worn) == span(1, 50.5, 100)
    assert ends(by_id["R1"].ohms) == span(950, 1000, 1050)
    assert by_id["K1"].pull == Pull(16.8, 2.4)
    assert ends(by_id["H1"].ohms) == span(80, 100, 120)
    assert ends(by_id["M1"].ohms) == span(0.72, 0.8, 0.88)
    diode = by_id["V1"].diode
    assert diode is not None
    assert (diode.saturation, diode.emission) == pytest.approx((2e-14, 1.5))
    assert (by_id["X8"].conducts, by_id["X9"].conducts) == (True, False)
    assert circuit.points["Q1:2"] == Point(3, "open the control box", probe=False)
    assert circuit.points["X1:2"] == Point(1)
    held = Situation("held", "The button is held", frozenset({"B1"}), frozenset({"G2", "T1"}), 2)
    assert circuit.situations == {REST: Situation(REST), "held": held}
    symptom = circuit.symptoms["dead"]
    assert (symptom.title, symptom.shows) == (
        "Nothing works",
        (Showing(REST, "K1", works=False), Showing("held", "M1", works=False)),
    )
    assert circuit.priors == {"fuse": 2, "open": 0.5, "none": 0}
    assert problems(EVERYTHING) == []


@pytest.mark.parametrize(
    ("kind", "keys", "expected"),
    [
        ("resistor", "resistance: 480 Ohm ± 10 %", (432, 480, 528)),
        ("resistor", "resistance: 480 Ω +- 10 %", (432, 480, 528)),
        ("resistor", "resistance: 0.4..0.56 kOhm", (400, 480, 560)),
        ("resistor", "resistance: 0.48 kOhm", (456, 480, 504)),
        ("contact", "resistance: 5..100 mOhm", (0.005, 0.0525, 0.1)),
        ("contact", "resistance: 0 Ohm", (LEAST_OHMS, LEAST_OHMS, LEAST_OHMS)),
        ("conductor", "resistance: 1 MOhm ± 0 %", (0.2e6, 1e6, 2e6)),
        ("conductor", "length: 1000 ft, section: 1.5 mm2, strand: 2, temperature: 20 °C", (3.50338, 3.68808, 3.68808)),
        ("cable", "length: 1 m, section: .5 mm2, temperature: 20 °C", (0.034482, 0.039, 0.039)),
        ("fuse", "rating: 500 mA, resistance: 1 Ohm", None),
        ("fuse", "rating: 1000 mA", (0.14, 0.2, 0.26)),
    ],
)
def test_sizes_are_read_as_people_write_them(kind: str, keys: str, expected: tuple[float, float, float] | None) -> None:
    if expected is None:
        with pytest.raises(ProcedureError, match="expected its rating or its resistance, and not both"):
            one(keys, kind)
        return
    assert ends(one(keys, kind).ohms) == pytest.approx(expected, rel=1e-5)


@pytest.mark.parametrize("size", ["18 AWG", "18AWG", "AWG 18", "awg18"])
def test_a_size_may_be_written_either_way_round(size: str) -> None:
    """6.385 Ohm a 1000 ft at 20 °C solid (NBS Handbook 100)."""
    part = one(f"length: 304.8 m, section: {size}, strand: solid, temperature: 20 °C", "conductor")
    assert part.ohms.nominal == pytest.approx(6.385, abs=0.001)


@pytest.mark.parametrize(("written", "cells"), [("75 %", 2.075), ("75%", 2.075), ("full", 2.125), ("charging", 2.5)])
def test_a_bank_goes_by_its_state(written: str, cells: float) -> None:
    assert ends(one(f"cells: 6, state: {written}", "battery").volts)[1] == pytest.approx(6 * cells)


def test_a_bank_s_own_volts_go_before_its_state() -> None:
    assert ends(one("cells: 6, state: full, volts: 10..12 V", "battery").volts) == (10, 11, 12)


def test_a_file_may_describe_rest_in_its_own_words() -> None:
    text = EVERYTHING.replace("name: held", "name: rest").replace("in: held", "in: rest")
    assert parse_circuit(text, "mine.yaml").situations == {
        REST: Situation(REST, "The button is held", frozenset({"B1"}), frozenset({"G2", "T1"}), 2)
    }


def test_a_circuit_is_known_by_its_first_key() -> None:
    assert is_circuit(f"# a comment\n---\n{SHORT}")
    assert not is_circuit("sheet: mine\ncircuit: mine\n")
    assert not is_circuit("circuits: mine\n")
    assert not is_circuit("")


# The same text always comes to the same circuit


@pytest.mark.parametrize("text", [SHORT, EVERYTHING], ids=["short", "everything"])
def test_line_ends_and_comments_change_nothing(text: str) -> None:
    first = _told(parse_circuit(text, "mine.yaml"))
    for other in (text, text.replace("\n", "\r\n"), f"# mine\n{text}\n\n# end", text.replace("\n", "  # here\n")):
        assert _told(parse_circuit(other, "other.yaml")) == first


def test_it_comes_out_the_same_whatever_order_sets_have() -> None:
    """Hashes of text differ from one Python process to the next, and with them the order of sets (PYTHONHASHSEED)."""
    script = (
        "import sys; from meterlink.circuit.parse import parse_circuit; from meterlink.circuit.solve import Bench\n"
        "circuit = parse_circuit(sys.stdin.read(), 'mine.yaml'); bench = Bench(circuit)\n"
        "print(circuit.nodes, circuit.parts, bench.readings(bench.state(situation='held')))"
    )
    found = {
        subprocess.run(
            [sys.executable, "-c", script],
            input=EVERYTHING,
            capture_output=True,
            text=True,
            check=True,
            timeout=PATIENCE_S,
            env={**os.environ, "PYTHONUTF8": "1", "PYTHONHASHSEED": seed},
        ).stdout
        for seed in ("1", "2", "3")
    }
    assert len(found) == 1
    assert "'Q1:2'" in found.pop()


def _told(circuit: Circuit) -> tuple[object, ...]:
    known = (circuit.points, circuit.situations, circuit.symptoms, circuit.priors)
    return circuit.name, circuit.title, circuit.reference, circuit.parts, circuit.nodes, *map(dict, known)


# What it must not say


@pytest.mark.parametrize(
    ("found", "wrong", "line", "column", "message"),
    [
        # The file itself
        ("title: One", "titel: One", 2, 1, "key 'titel' is not known in a circuit; did you mean 'title'?"),
        ("title: One", "titel: One", 1, 1, "key 'title' is missing, a circuit needs it"),
        ("circuit: everything", "circuit: two words", 1, 10, "circuit 'two words': expected letters, digits"),
        ("revision: 3", "revision: [3]", 3, 11, "revision: found a list, expected text"),
        ("reference: PE", "reference: earth bar", 4, 12, "'earth bar': a tag has no spaces"),
        ("reference: PE", "reference: N", 4, 12, "no element ends at the reference 'N'"),
        ("minutes: 1\n", "minutes: soon\n", 33, 10, "'soon': expected minutes, from 0 to 600"),
        (
            "cautions: [Only",
            "caution: [Only",
            39,
            1,
            "key 'caution' is not known in a circuit; did you mean 'cautions'?",
        ),
        # Any element
        ("kind: battery", "kind: batery", 6, 20, "kind 'batery' is not known, expected 'battery', 'source'"),
        ("kind: battery", "kind: batery", 6, 20, "did you mean 'battery'?"),
        ("kind: battery, ", "", 6, 5, "key 'kind' is missing, an element needs it"),
        ("id: R1, ", "", 24, 5, "key 'id' is missing, a resistor needs it"),
        ("id: R1", "id: G1", 24, 10, "id 'G1' is used twice; the first is in line 6"),
        ("id: R1", "id: R 1", 24, 10, "'R 1': a tag has no spaces"),
        ("id: R1", 'id: ""', 24, 10, "id is empty, expected text"),
        ("id: R1", "id: [R1]", 24, 10, "id: found a list, expected text"),
        ('"X1:2", to: PE, resistance: 1 k', "PE, to: PE, resistance: 1 k", 24, 44, "R1 begins and ends at 'PE'"),
        ("resistance: 1 kOhm", "resistence: 1 kOhm", 24, 52, "not known in a resistor; did you mean 'resistance'?"),
        ("prior: 5", "prior: -1", 10, 111, "'-1': expected a weight, 1 for the usual, from 0 to 1000"),
        ("prior: 5", "prior: often", 10, 111, "'often': expected a weight, 1 for the usual, from 0 to 1000"),
        ("prior: 5", "prior: 5000", 10, 111, "'5000': expected a weight, 1 for the usual, from 0 to 1000"),
        ("minutes: 2}\n  - id", "minutes: -2}\n  - id", 13, 84, "'-2': expected minutes, from 0 to 600"),
        ("minutes: 2}\n  - id", "minutes: 2 min}\n  - id", 13, 84, "'2 min': expected minutes, from 0 to 600"),
        # Sources
        ("cells: 12, ", "", 6, 5, "key 'cells' is missing, a battery needs it"),
        ("cells: 12", "cells: 0", 6, 58, "'0': expected a number of cells from 1 to 200"),
        ("cells: 12", "cells: twelve", 6, 58, "'twelve': expected a number of cells from 1 to 200"),
        ("cells: 12", "cells: 12.5", 6, 58, "'12.5': expected a number of cells from 1 to 200"),
        ("state: 75 %", "state: 60 %", 6, 69, "'60 %' is not known, expected float, charging, full, 75 %, 50 %"),
        ("temperature: 5 °C", "temperature: 5", 6, 109, "'5': the unit is missing"),
        ("temperature: 5 °C", "temperature: 41 °F", 6, 109, "unit '°F' is not known; expected one of %, F"),
        ("temperature: 5 °C", "temperature: 200 °C", 6, 109, "expected a temperature from -60 to 120 °C"),
        ("volts: 23..28 V, ", "", 7, 5, "key 'volts' is missing, a source needs it"),
        ("volts: 23..28 V", "volts: -24 V", 7, 57, "'-24 V': a source has no negative voltage; swap from and to"),
        ("volts: 23..28 V", "volts: 24 A", 7, 57, "'24 A': expected a voltage such as 24 V or 23..28 V"),
        ("volts: 23..28 V", "volts: 24 V AC", 7, 57, "'24 V AC' is not a number with a unit"),
        ("volts: 23..28 V", "volts: 28..23 V", 7, 57, "'28..23 V' is upside down: lower limit 28 V, upper limit 23 V"),
        # Resistances
        ("resistance: 20 mOhm", "resistance: 20", 6, 87, "'20': the unit is missing"),
        (
            "resistance: 20 mOhm",
            "resistance: 20 mV",
            6,
            87,
            "'20 mV': expected a resistance such as 480 Ohm, 480 Ohm ±",
        ),
        ("resistance: 20 mOhm", "resistance: -20 mOhm", 6, 87, "'-20 mOhm': expected a resistance from 0 to 1 GOhm"),
        ("resistance: 20 mOhm", "resistance: 2 GOhm", 6, 87, "'2 GOhm': expected a resistance from 0 to 1 GOhm"),
        ("resistance: 20 mOhm", "resistance: 1 Ohm ± 120 %", 6, 87, "expected a resistance from 0 to 1 GOhm"),
        ("resistance: 20 mOhm", "resistance: 2e-2 Ohm", 6, 87, "'2e-2 Ohm' is not a number with a unit"),
        ("resistance: 20 mOhm", "resistance: 0,02 Ohm", 6, 87, "'0': the unit is missing"),
        ("resistance: 20 mOhm", "resistance: <= 20 mOhm", 6, 87, "'<= 20 mOhm' is not a number with a unit"),
        ("resistance: 20 mOhm", "resistance: OL", 6, 87, "'OL' is not a number with a unit"),
        ("resistance: 20 mOhm", "resistance: inf Ohm", 6, 87, "'inf Ohm' is not a number with a unit"),
        ("resistance: 20 mOhm", "resistance: [20 mOhm]", 6, 87, "resistance: expected a resistance such as 480 Ohm"),
        ("resistance: 20 mOhm", "resistance:", 6, 86, "'' is not a number with a unit"),
        (", resistance: 1 kOhm", "", 24, 5, "key 'resistance' is missing, a resistor needs it"),
        # Conductors
        ("length: 80 ft", "length: 80", 9, 65, "'80': expected a length such as 25 m or 80 ft"),
        ("length: 80 ft", "length: 0 ft", 9, 65, "'0 ft': expected a length such as 25 m or 80 ft"),
        ("length: 80 ft", "length: 8000 cm", 9, 65, "'8000 cm': expected a length such as 25 m or 80 ft"),
        ("length: 80 ft, ", "", 9, 5, "W1: expected length and section, or resistance"),
        ("section: 18 AWG, ", "", 9, 5, "W1: expected length and section, or resistance"),
        ("section: 18 AWG", "section: 18", 9, 81, "'18': expected a cross-section such as 0.75 mm2 or 18 AWG"),
        ("section: 18 AWG", "section: 37 AWG", 9, 81, "'37 AWG': expected an AWG size from 0 to 36"),
        ("section: 18 AWG", "section: 0.8 mm2", 9, 81, "expected one of 0.5, 0.75, 1, 1.5, 2.5, 4, 6 mm2 (IEC 60228)"),
        ("strand: solid", "strand: flexible", 9, 97, "strand 'flexible' is not known, expected '2', '5', '5-coated'"),
        ("strand: solid", "strand: 5", 9, 97, "'5' does not go with 18 AWG; expected solid or stranded"),
        ("strand: 5-coated", "strand: solid", 10, 94, "'solid' does not go with 0.75 mm²; expected 2, 5 or 5-coated"),
        (
            "strand: solid",
            "resistance: 1 Ohm",
            9,
            101,
            "the resistance is given, and the length or size too; leave one",
        ),
        # Fuses, contacts, coils, diodes, jumpers
        (
            "rating: 3.15 A",
            "rating: 3 A",
            11,
            60,
            "no figure for such a fuse; expected one of 1, 1.25, 1.6, 2, 2.5, 3.15",
        ),
        ("rating: 3.15 A", "rating: 3 V", 11, 60, "'3 V': expected a rated current such as 5 A"),
        ("rating: 3.15 A", "rating: 0 A", 11, 60, "'0 A': expected a rated current such as 5 A"),
        ("rating: 3.15 A", "where: here", 11, 5, "F1: expected its rating or its resistance, and not both"),
        ("normally: open", "normally: shut", 18, 15, "normally 'shut' is not known, expected 'closed' or 'open'"),
        ("positive: yes", "positive: maybe", 21, 15, "'maybe': expected yes or no"),
        ("coil: K1\n", "coil: K9\n", 22, 11, "no coil has the id 'K9'"),
        ("coil: K1\n", "coil: R1\n", 22, 11, "no coil has the id 'R1'"),
        ("rated: 24 V", "rated: 24 W", 25, 76, "unit 'W' is not known"),
        ("operates: 16.8 V", "operates: 70 %", 25, 92, "'70 %': expected a voltage such as 24 V or 23..28 V"),
        ("saturation: 0.02 pA", "saturation: 1e-14 A", 28, 61, "'1e-14 A' is not a number with a unit"),
        ("saturation: 0.02 pA", "saturation: 0 A", 28, 61, "'0 A': expected a rated current"),
        ("emission: 1.5", "emission: 9", 28, 80, "'9': expected an emission coefficient, from 0.5 to 5"),
        ("use: temporary", "use: sometimes", 30, 59, "use 'sometimes' is not known, expected 'factory' or 'temporary'"),
        # Points, situations, symptoms, priors
        ('at: "Q1:2"', 'at: "Q1:9"', 32, 10, "no element ends at 'Q1:9'"),
        ("points:\n", 'points:\n  - {at: "Q1:2"}\n', 33, 10, "at 'Q1:2' is used twice; the first is in line 32"),
        ("probe: no", "probe: perhaps", 32, 66, "'perhaps': expected yes or no"),
        ('at: "Q1:2", ', "", 32, 5, "key 'at' is missing, a point needs it"),
        ("name: held", "name: two words", 35, 12, "name 'two words': expected letters, digits"),
        (
            "situations:\n",
            "situations:\n  - {name: held}\n",
            36,
            12,
            "name 'held' is used twice; the first is in line 35",
        ),
        ("operated: B1", "operated: B2", 35, 55, "no contact has the id 'B2'"),
        ("operated: B1", "operated: Q1", 35, 55, "no contact has the id 'Q1'"),
        ("operated: B1", "operate: B1", 35, 45, "key 'operate' is not known in a situation; did you mean 'operated'?"),
        ("apart: [G2, T1]", "apart: [G2, T9]", 35, 71, "no element has the id 'T9'"),
        ("apart: [G2, T1]", "apart: {G2: T1}", 35, 66, "apart: found keys with values, expected a list"),
        (
            "symptoms:\n",
            "symptoms:\n  - {name: dead, shows: []}\n",
            37,
            25,
            "shows is an empty list, expected at least",
        ),
        ("in: held", "in: pressed", 37, 86, "no situation has the name 'pressed'"),
        ("coil: M1", "coil: B1", 37, 98, "no coil, motor or lamp has the id 'B1'"),
        ("works: false", "works: 0", 37, 109, "'0': expected yes or no"),
        (", works: false", "", 37, 81, "key 'works' is missing, an entry of shows needs it"),
        ("fuse: 2", "fuze: 2", 38, 16, "'fuze' is no kind of element or fault; known are battery, source"),
        ("fuse: 2", "fuse: lots", 38, 16, "'lots': expected a weight, 1 for the usual, from 0 to 1000"),
    ],
)
def test_each_error_is_told_with_its_place(found: str, wrong: str, line: int, column: int, message: str) -> None:
    assert EVERYTHING.count(found) == 1
    told = problems(EVERYTHING.replace(found, wrong))
    assert any((each[0], each[1]) == (line, column) and message in each[2] for each in told), told
    with pytest.raises(ProcedureError, match=rf"mine\.yaml:{line}:{column}: "):
        parse_circuit(EVERYTHING.replace(found, wrong), "mine.yaml")


@pytest.mark.parametrize(
    ("text", "line", "column", "message"),
    [
        ("", 1, 1, "the file is empty; expected a circuit"),
        ("- a\n", 1, 1, "found a list, expected keys with values"),
        ("circuit: mine\n", 1, 1, "key 'elements' is missing, a circuit needs it"),
        ("elements: x\n", 1, 11, "elements: found text, expected a list"),
        ("elements: {a: b}\n", 1, 11, "elements: found keys with values, expected a list"),
        ("elements: []\n", 1, 11, "elements is an empty list, expected at least one entry"),
        ("elements: [G1]\n", 1, 12, "elements: found text, expected keys with values"),
        ("elements: [{}]\n", 1, 12, "key 'kind' is missing, an element needs it"),
        ("elements: [{kind: [coil]}]\n", 1, 19, "is not known, expected 'battery', 'source'"),
        ("elements: [{kind: coil}]\n", 1, 12, "key 'resistance' is missing, a coil needs it"),
        ("circuit: &a mine\n", 1, 10, "anchors are not allowed"),
        ("circuit: *a\n", 1, 10, "aliases are not allowed"),
        ("circuit: !!python/object mine\n", 1, 10, "tags are not allowed"),
        ("circuit: mine\ncircuit: mine\n", 2, 1, "key 'circuit' is given twice; the first is in line 1"),
        ("circuit: mine\n---\ncircuit: mine\n", 2, 1, "a second document; expected one a file"),
        ("circuit: mi\u202ene\n", 1, 12, "character U+202E cannot be seen or printed; delete it"),
        ("circuit: [\n", 2, 1, "not valid YAML"),
        (f"elements: {'[' * 30}\n", 1, 30, "nested deeper than 20 levels"),
        (f"elements: [{'a, ' * 20_000}]\n", 1, 60_003, "more than 20000 keys and values; expected a circuit"),
    ],
)
def test_what_is_no_circuit_is_refused_with_its_place(text: str, line: int, column: int, message: str) -> None:
    told = problems(text)
    assert any((each[0], each[1]) == (line, column) and message in each[2] for each in told), told
    assert examine_circuit(text, "mine.yaml").circuit is None


def test_all_errors_are_told_at_once_in_the_order_of_the_file() -> None:
    spoilt = (
        EVERYTHING.replace("revision: 3", "revision: {}")
        .replace("cells: 12", "cells: many")
        .replace("state: 75 %", "state: new")
        .replace("rating: 3.15 A", "rated: 3 A")
        .replace("in: held, coil", "inn: held, coil")
    )
    with pytest.raises(ProcedureError) as caught:
        parse_circuit(spoilt, "mine.yaml")
    places = [(each.line, each.column) for each in caught.value.problems]
    assert places == [(3, 11), (6, 58), (6, 71), (11, 52), (37, 81), (37, 82)]


def test_a_circuit_without_a_source_is_refused() -> None:
    lines = [line for line in SHORT.splitlines() if "battery" not in line]
    assert problems("\n".join(lines)) == [
        (5, 3, "nothing supplies the circuit; expected a battery, a source or a charger")
    ]


def test_a_part_without_any_path_to_the_reference_is_a_warning() -> None:
    island = '  - {id: B9, kind: contact, from: "X7:1", to: "X7:2"}\npoints:'
    examined = examine_circuit(SHORT.replace("points:", island), "mine.yaml")
    (problem,) = examined.problems
    assert (problem.severity, problem.line, problem.column) == (Severity.WARNING, 10, 5)
    assert problem.message == "B9 has no path to 'PE', whatever is closed"
    assert examined.circuit is not None
    bench = Bench(examined.circuit)
    assert bench.readings(bench.state())["X7:1"] is None


# A value is taken as it stands, or refused: nothing is made up for what cannot be read


@pytest.mark.parametrize("number", ["480", "480 ohms", "480 Ohm Ohm", "about 480 Ohm", "４８０ Ohm", "480 K"])
def test_what_is_no_resistance_makes_no_circuit(number: str) -> None:
    text = SHORT.replace("resistance: 480 Ohm", f"resistance: {number}")
    assert examine_circuit(text, "mine.yaml").circuit is None
    assert [(line, column) for line, column, _ in problems(text)] == [(9, 60)]


def test_milli_and_mega_are_told_apart() -> None:
    assert one("resistance: 5 mOhm", "connector").ohms.nominal == 0.005
    assert one("resistance: 5 MOhm", "connector").ohms.nominal == 5e6


@settings(max_examples=150)
@given(
    st.lists(
        st.tuples(
            st.integers(0, len(EVERYTHING) - 1),
            st.integers(0, 12),
            st.sampled_from(
                ["", "{", "}", "[", "]", ":", ",", "- ", "\n", '"', "~", "-1", "1e9", "&a", "*a", "!!x", "٣", "½"]
            )
            | st.text(max_size=3),
        ),
        min_size=1,
        max_size=3,
    )
)
def test_a_damaged_file_is_read_or_refused_with_a_place_inside_it(damage: list[tuple[int, int, str]]) -> None:
    """A property of the reader, whatever the text: no other exception, and never neither of the two."""
    text = EVERYTHING
    for place, length, new in damage:
        text = text[:place] + new + text[place + length :]
    examined = examine_circuit(text, "mine.yaml")
    lines = text.splitlines()
    assert all(1 <= each.line <= len(lines) + 1 and each.column >= 1 for each in examined.problems)
    refused = any(each.severity is Severity.ERROR for each in examined.problems)
    assert refused is (examined.circuit is None)


# The schema


@pytest.fixture(scope="module")
def schema() -> dict[str, Any]:
    return circuit_schema()


def test_it_is_a_schema_of_the_2020_12_dialect_that_explains_every_key(schema: dict[str, Any]) -> None:
    Draft202012Validator.check_schema(schema)  # the metaschema, json-schema.org/draft/2020-12
    assert schema["$schema"] == Draft202012Validator.META_SCHEMA["$id"]
    assert schema["title"] == "Steadypoint circuit"
    parts = [schema, *(part for part in schema["$defs"].values() if "properties" in part)]
    assert len(parts) == 1 + len(Kind) + 4
    unexplained = [
        (part["title"], key)
        for part in parts
        for key, value in part["properties"].items()
        if key != "kind" and "description" not in value
    ]
    assert unexplained == []


def test_the_command_prints_it(schema: dict[str, Any]) -> None:
    result = CliRunner().invoke(cli, ["schema", "circuit"])
    assert (result.exit_code, json.loads(result.stdout)) == (0, schema)


def test_a_default_is_one_that_a_file_could_say(schema: dict[str, Any]) -> None:
    checked = 0
    for part in (schema, *schema["$defs"].values()):
        for key, value in part["properties"].items():
            if "default" in value:
                stands_alone = Draft202012Validator({**value, "$defs": schema["$defs"]})
                assert stands_alone.is_valid(value["default"]), (part["title"], key)
                checked += 1
    assert checked > 5
    told = schema["$defs"]["Contact"]["properties"]["resistance"]["description"]
    assert told == "Closed and new. Unless told 0.05 Ohm, from 0.005 to 0.1 Ohm."


@pytest.mark.parametrize("name", ["short", "everything"])
def test_good_circuits_are_valid(schema: dict[str, Any], name: str) -> None:
    text = {"short": SHORT, "everything": EVERYTHING}[name]
    assert list(Draft202012Validator(schema).iter_errors(yaml.safe_load(text))) == []


def test_numbers_are_fine_where_the_loader_takes_them_as_text(schema: dict[str, Any]) -> None:
    text = (
        SHORT.replace("0.75 mm2}", "0.75 mm2, strand: 5, minutes: 2, prior: 3}")
        .replace("Short chain", "24")
        .replace("from: PE, to", "from: 31, to")
        .replace("to: PE", "to: 31")
        .replace("reference: PE", "reference: 31")
    )
    assert problems(text) == []
    assert Draft202012Validator(schema).is_valid(yaml.safe_load(text))


@pytest.mark.parametrize(
    "spoil",
    [
        lambda circuit: circuit.pop("circuit"),
        lambda circuit: circuit.update(circuit="two words"),
        lambda circuit: circuit.update(colour="red"),
        lambda circuit: circuit.update(title=None),
        lambda circuit: circuit.pop("reference"),
        lambda circuit: circuit["elements"].clear(),
        lambda circuit: circuit["elements"][0].pop("cells"),
        lambda circuit: circuit["elements"][0].update(kind="accumulator"),
        lambda circuit: circuit["elements"][0].update(state="flat"),
        lambda circuit: circuit["elements"][0].update(resistance=0.02),
        lambda circuit: circuit["elements"][0].update(temperature=20),
        lambda circuit: circuit["elements"][0].update(length="25 m"),
        lambda circuit: circuit["elements"][1].pop("from"),
        lambda circuit: circuit["elements"][3].update(length=80),
        lambda circuit: circuit["elements"][3].update(strand="flexible"),
        lambda circuit: circuit["elements"][5].update(rating=3.15),
        lambda circuit: circuit["elements"][8].update(normally="shut"),
        lambda circuit: circuit["elements"][8].update(coil=None),
        lambda circuit: circuit["points"][0].pop("at"),
        lambda circuit: circuit["points"][0].update(probe="perhaps"),
        lambda circuit: circuit["situations"][0].update(operate="B1"),
        lambda circuit: circuit["symptoms"][0]["shows"].clear(),
        lambda circuit: circuit["symptoms"][0]["shows"][0].pop("works"),
        lambda circuit: circuit.update(priors=[2]),
    ],
)
def test_spoilt_circuits_are_not(schema: dict[str, Any], spoil: Callable[[Any], object]) -> None:
    circuit = yaml.safe_load(EVERYTHING)
    assert Draft202012Validator(schema).is_valid(circuit)
    spoil(circuit)
    assert not Draft202012Validator(schema).is_valid(circuit)


# `steadypoint lint`


def test_lint_knows_a_circuit_by_its_first_key(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    Path("good.yaml").write_text(SHORT, encoding="utf-8")
    Path("bad.yaml").write_text(SHORT.replace("cells: 12", "cells: 0"), encoding="utf-8")
    island = '  - {id: B9, kind: contact, from: "X7:1", to: "X7:2"}\npoints:'
    Path("doubtful.yaml").write_text(SHORT.replace("points:", island), encoding="utf-8")

    good = CliRunner().invoke(cli, ["lint", "good.yaml"])
    assert (good.exit_code, good.output) == (0, "")
    doubtful = CliRunner().invoke(cli, ["lint", "doubtful.yaml"])
    told = "doubtful.yaml:10:5: warning: B9 has no path to 'PE', whatever is closed\n"
    assert (doubtful.exit_code, doubtful.stdout) == (0, told)
    bad = CliRunner().invoke(cli, ["lint", "--json", "bad.yaml"])
    assert bad.exit_code == 2
    assert json.loads(bad.stdout) == {
        "file": "bad.yaml",
        "line": 5,
        "column": 58,
        "severity": "error",
        "message": "cells: '0': expected a number of cells from 1 to 200",
    }
