"""Materials and small circuits against published figures, each with its source in the data.

`data/check-values-circuit.json` says of each figure what it is, where it comes from, and whether it was seen printed
there ("published"), recalled ("memory") or worked out from a stated formula ("common practice"). Tolerances are
absolute. Drops, pick-ups and losses come out of a circuit file that is read and solved, never out of the formula.
"""

import json
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from importlib.resources import files
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from meterlink.circuit.fault import parse_faults
from meterlink.circuit.materials import (
    COPPER_PER_KELVIN,
    FUSE_OHMS,
    IACS,
    IEC_60228,
    Span,
    at_temperature,
    awg_circular_mils,
    awg_diameter_mm,
    awg_mm2,
    awg_per_km,
    bank_volts,
    fuse_ohms,
    least_per_km,
    metric_per_km,
)
from meterlink.circuit.model import Battery, CircuitFile
from meterlink.circuit.parse import parse_circuit
from meterlink.circuit.parts import Pull
from meterlink.circuit.schema import circuit_schema
from meterlink.circuit.solve import Bench, RestlessError
from meterlink.procedure.load import read_file
from meterlink.procedure.source import read_source

Found = float | Sequence[float]
NO_METER = 1e18
"""Input resistance in Ohm of a meter that takes nothing."""
KFT = 0.3048
"""km in 1000 ft."""


@dataclass(frozen=True, slots=True)
class Entry:
    """One figure."""

    id: str
    quantity: str
    inputs: Mapping[str, Any]
    expected: Any
    tolerance: float
    """Absolute."""
    unit: str
    source: str
    provenance: str

    def number(self, name: str) -> float:
        """One of the inputs."""
        return float(self.inputs[name])


_DATA = Path(__file__).parent / "data" / "check-values-circuit.json"
ENTRIES = [Entry(**each) for each in json.loads(_DATA.read_text(encoding="utf-8"))]
BY_ID = {entry.id: entry for entry in ENTRIES}


def bench(*elements: str) -> Bench:
    """A circuit of these elements, to the reference PE."""
    lines = [f"  - {{{element}}}" for element in elements]
    text = "\n".join(("circuit: mine", "title: Mine", "reference: PE", "elements:", *lines))
    return Bench(parse_circuit(text, "mine.yaml"))


def drop(made: Bench, *pairs: tuple[str, str]) -> float:
    """What is lost between pairs of nodes, in V."""
    state = made.state()
    lost = [made.reading(state, one, other, NO_METER) for one, other in pairs]
    assert all(each is not None for each in lost)
    return sum(each for each in lost if each is not None)


# Batteries


def shipped_cells(entry: Entry) -> Found:
    """What each shipped circuit says of its bank, in one block or in several."""
    folder = Path(str(files("meterlink_procedures"))) / "circuits"
    texts = [read_file(path, "a circuit").text for path in sorted(folder.glob("*.yaml"))]
    parsed = [CircuitFile.model_validate(read_source(text, "mine.yaml").root) for text in texts]
    banks = [[each.cells for each in file.elements if isinstance(each, Battery)] for file in parsed]
    (cells,) = {sum(blocks) for blocks in banks if blocks}
    assert sum(map(bool, banks)) > 3
    assert cells == entry.number("blocks") * entry.number("cells_per_block")
    return cells


def float_range(entry: Entry) -> Found:
    span = bank_volts(int(entry.number("cells")), "float")
    return [span.low, span.high]


def _shift(cells: float, kelvin: float, end: Callable[[Span], float]) -> float:
    """What the charger's voltage shifts from 25 °C, at the end that the smaller or the larger coefficient sets."""
    return end(bank_volts(int(cells), "float", 25 + kelvin)) - end(bank_volts(int(cells), "float", 25))


def _most(span: Span) -> float:
    return span.high


def _least(span: Span) -> float:
    return span.low


def float_at_30(entry: Entry) -> Found:
    """Above 25 °C the lowest end goes with -5 mV a cell and kelvin."""
    return entry.number("V25") + _shift(entry.number("cells"), entry.number("T") - 25, _least)


def cell_coefficient(entry: Entry) -> Found:
    """Above 25 °C the highest end goes with -3 mV a cell and kelvin."""
    cells = entry.number("cells")
    block = 1000 * _shift(cells, 1, _most)
    assert block == pytest.approx(entry.number("per_block"))
    return block / cells


def float_shift(entry: Entry) -> Found:
    end = {-3: _most, -5: _least}[int(entry.number("tc"))]
    return _shift(entry.number("cells"), entry.number("dT"), end)


def end_of_discharge(entry: Entry) -> Found:
    return bank_volts(int(entry.number("cells")), "discharged").low


def rested(entry: Entry) -> Found:
    """Of 6 or 12 cells, as the name says: the middle of a state, the least of full, the most of discharged."""
    cells = int(entry.id[5:7]) // 2
    match int(entry.number("soc_pct")):
        case 100:
            return bank_volts(cells, "full").low
        case 0:
            return bank_volts(cells, "discharged").high
        case charge:
            return bank_volts(cells, f"{charge} %").nominal


# Conductors


def metric(entry: Entry) -> Found:
    kind = {"2": "2", "5": "5", "5t": "5-coated"}[entry.id.split("-")[2]]
    return metric_per_km(entry.number("mm2"), kind)


def diameter(entry: Entry) -> Found:
    return awg_diameter_mm(int(entry.number("awg"))) / 25.4


def circular_mils(entry: Entry) -> Found:
    return awg_circular_mils(int(entry.number("awg")))


def awg_hot(entry: Entry) -> Found:
    return at_temperature(KFT * awg_per_km(int(entry.number("awg")), stranded=False), 75)


def awg_hot_stranded(entry: Entry) -> Found:
    """Printed with three digits, without a tolerance: so many are compared."""
    return float(f"{at_temperature(KFT * awg_per_km(int(entry.number('awg'))), 75):.3g}")


def awg_at_20(entry: Entry) -> Found:
    return KFT * awg_per_km(int(entry.number("awg")), stranded=False)


def resistivity(entry: Entry) -> Found:
    return IACS


def coefficient(entry: Entry) -> Found:
    return COPPER_PER_KELVIN


def coefficient_at_75(entry: Entry) -> Found:
    assert entry.number("alpha20") == COPPER_PER_KELVIN
    return at_temperature(1, 76) / at_temperature(1, 75) - 1


def to_20(entry: Entry) -> Found:
    return 1 / at_temperature(1, entry.number("t"))


def _two_wires(wire: str, ohms: str) -> Bench:
    return bench(
        "id: G1, kind: source, from: PE, to: A, volts: 24 V, resistance: 10 mOhm",
        f"id: W1, kind: conductor, from: A, to: B, {wire}",
        f"id: R1, kind: resistor, from: B, to: C, resistance: {ohms}",
        f"id: W2, kind: conductor, from: C, to: PE, {wire}",
    )


def metric_drop(entry: Entry) -> Found:
    """24 V at 10 A are 2.4 Ohm: the source, 2 x 10 m at 7.98 Ohm/km, and the load."""
    length, per_km = BY_ID["D-drop-m"].number("L"), BY_ID["D-drop-m"].number("R_per_km")
    load = 2.4 - 0.01 - 2 * length * per_km / 1000
    wires = _two_wires(f"length: {length:g} m, section: 2.5 mm2, temperature: 20 °C", f"{load:.6f} Ohm")
    assert (24 - drop(wires, ("A", "PE"))) / 0.01 == pytest.approx(BY_ID["D-drop-m"].number("I"))
    lost = drop(wires, ("A", "B"), ("C", "PE"))
    return 100 * lost / 24 if entry.unit == "%" else lost


def awg_drop(entry: Entry) -> Found:
    """The printed resistance of the wire is stated; its length and size come within a thousandth of it."""
    ohms = entry.number("L_ft") * entry.number("R_kft") / 1000
    load = f"{2.4 - 0.01 - 2 * ohms:.6f} Ohm"
    by_size = _two_wires("length: 30 ft, section: 14 AWG, strand: solid, temperature: 75 °C", load)
    assert drop(by_size, ("A", "B"), ("C", "PE")) == pytest.approx(entry.expected, rel=0.001)
    return drop(_two_wires(f"resistance: {ohms:.4f} Ohm", load), ("A", "B"), ("C", "PE"))


def loop(entry: Entry) -> Found:
    half = f"length: {entry.number('L') / 2:g} m, section: 0.75 mm2, temperature: 20 °C"
    made = bench(
        "id: G1, kind: source, from: PE, to: A, volts: 24 V",
        f"id: W1, kind: conductor, from: A, to: B, {half}",
        f"id: W2, kind: conductor, from: B, to: C, {half}",
    )
    found = made.resistance(made.state(), "A", "C")
    assert found is not None
    return found


# Fuses, contacts, relays


def cold_fuse(entry: Entry) -> Found:
    """The data's tolerance is what the product takes for the spread."""
    span = fuse_ohms(entry.number("I_n"))
    assert (span.high - span.low) / 2 == pytest.approx(entry.tolerance)
    return span.nominal


def fuse_drop(entry: Entry) -> Found:
    """At rated current: 24 V, the fuse and a load."""
    rating = entry.number("I_n")
    load = 24 / rating - 0.01 - FUSE_OHMS[rating]
    made = bench(
        "id: G1, kind: source, from: PE, to: A, volts: 24 V, resistance: 10 mOhm",
        f"id: F1, kind: fuse, from: A, to: B, rating: {rating:g} A",
        f"id: R1, kind: resistor, from: B, to: PE, resistance: {load:.6f} Ohm",
    )
    return drop(made, ("A", "B"))


def _contact() -> Span:
    """A contact of which nothing is said."""
    made = bench(
        "id: G1, kind: source, from: PE, to: A, volts: 24 V",
        "id: B1, kind: contact, from: A, to: B",
        "id: K1, kind: coil, from: B, to: PE, resistance: 650 Ohm",
    )
    return made.circuit.by_id["B1"].ohms


def new_limit_switch(entry: Entry) -> Found:
    return 1000 * _contact().high


def new_relay_contact(entry: Entry) -> Found:
    return [1000 * _contact().nominal, 1000 * _contact().high]


def _relay(volts: float, keys: str) -> Bench:
    """A relay whose own contact, once it has pulled at 24 V, loads the source down to some volts."""
    return bench(
        "id: G1, kind: source, from: PE, to: A, volts: 24 V, resistance: 1 Ohm",
        f"id: K1, kind: coil, from: A, to: PE, resistance: 1 MOhm{keys}",
        "id: K1.1, kind: contact, from: A, to: B, normally: open, coil: K1, resistance: 0 Ohm",
        f"id: R1, kind: resistor, from: B, to: PE, resistance: {volts / (24 - volts):.8f} Ohm",
    )


def _pull(keys: str) -> Pull:
    pull = _relay(12, keys).circuit.by_id["K1"].pull
    assert pull is not None
    return pull


def pick_up(entry: Entry) -> Found:
    """70 and 75 % are stated in a file; 80 % is meant where it says nothing. A millivolt decides."""
    found = []
    for share in entry.inputs["pct"]:
        keys = "" if share == 80 else f", operates: {0.24 * share:.1f} V"
        operates = _pull(keys).operates
        works = [
            "K1"
            in bench(
                f"id: G1, kind: source, from: PE, to: A, volts: {volts:.3f} V, resistance: 0 Ohm",
                f"id: K1, kind: coil, from: A, to: PE, resistance: 650 Ohm{keys}",
            )
            .state()
            .working
            for volts in (operates - 0.001, operates + 0.001)
        ]
        assert works == [False, True]
        found.append(operates)
    return found


def drop_out(entry: Entry) -> Found:
    """10 % is stated in a file; 15 % is meant where it says nothing. A millivolt decides."""
    found = []
    for share in entry.inputs["pct"]:
        keys = "" if share == 15 else f", releases: {0.24 * share:.1f} V"
        releases = _pull(keys).releases
        assert _relay(releases + 0.001, keys).state().working == {"K1"}
        with pytest.raises(RestlessError):  # it lets go, pulls again, and so on
            _relay(releases - 0.001, keys).state()
        found.append(releases)
    return found


def eight_contacts(entry: Entry) -> Found:
    """24.05 V on 650 Ohm are 37 mA: the source, the contacts and the load."""
    count, each = int(entry.number("n")), entry.number("R")
    load = 650 - 0.01 - count * each
    nodes = ["A", *(f"B{place}" for place in range(count))]
    made = bench(
        "id: G1, kind: source, from: PE, to: A, volts: 24.05 V, resistance: 10 mOhm",
        *(
            f"id: X{one}, kind: contact, from: {one}, to: {other}, resistance: {each} Ohm"
            for one, other in pairwise(nodes)
        ),
        f"id: R1, kind: resistor, from: {nodes[-1]}, to: PE, resistance: {load:.6f} Ohm",
    )
    return drop(made, (nodes[0], nodes[-1]))


def dirty_contact(entry: Entry) -> Found:
    """The high resistance of which nothing more is said, in front of a coil that still works."""
    made = bench(
        f"id: G1, kind: source, from: PE, to: A, volts: {entry.number('V'):g} V, resistance: 0 Ohm",
        "id: B1, kind: contact, from: A, to: B, resistance: 0 Ohm",
        f"id: K1, kind: coil, from: B, to: PE, resistance: {entry.number('R_coil'):g} Ohm",
    )
    state = made.state(parse_faults(made.circuit, "high:B1"))
    assert state.working == {"K1"}
    assert made.state(parse_faults(made.circuit, f"high:B1@{entry.number('R_c'):g} Ohm")).solution == state.solution
    found = made.reading(state, "B", meter_ohms=NO_METER)
    assert found is not None
    return found


Check = Callable[[Entry], Found]
CHECKS: Mapping[str, Check] = {
    "C-cells": shipped_cells,
    "C-float-range": float_range,
    "C-tc-example": float_at_30,
    "C-tc-block": cell_coefficient,
    "C-tc-24-*": float_shift,
    "C-eod": end_of_discharge,
    "C-ocv12-*": rested,
    "C-ocv12m-*": rested,
    "C-ocv24m-*": rested,
    "D-60228-*": metric,
    "D-awg-d-*": diameter,
    "D-awg-cm-*": circular_mils,
    "D-nec8-solid-*": awg_hot,
    "D-nec8-str-*": awg_hot_stranded,
    "D-iacs": resistivity,
    "D-iacs-check": resistivity,
    "D-alpha20": coefficient,
    "D-alpha75": coefficient_at_75,
    "D-r20-14": awg_at_20,
    "D-kt-*": to_20,
    "D-drop-m": metric_drop,
    "D-drop-m-pct": metric_drop,
    "D-drop-awg": awg_drop,
    "D-loop-chain": loop,
    "E-fuse-drop*": fuse_drop,
    "E-fuse-1*": cold_fuse,
    "E-fuse-2*": cold_fuse,
    "E-fuse-3.15": cold_fuse,
    "E-fuse-4": cold_fuse,
    "E-fuse-5": cold_fuse,
    "E-fuse-6.3": cold_fuse,
    "E-fuse-8": cold_fuse,
    "E-limit-new": new_limit_switch,
    "E-relay-contact": new_relay_contact,
    "E-relay-pick": pick_up,
    "E-relay-drop": drop_out,
    "E-contact-drop": eight_contacts,
    "E-contact-worn": dirty_contact,
}
"""Which check an entry has: by its id, or by how that begins where a star ends the name. None is a catch-all."""

_FOUR_PER_MILLE = "the standard's annex uses 0.004 a kelvin, the product NBS Handbook 100's 0.00393"
_ROUNDED = "NEC prints from rounded circular mils and its own lay of the strands; the product adds 2.4 % to all sizes"
DIFFERS: Mapping[str, tuple[str, float]] = {
    "C-ocv12-0": ("tables of the last quarter differ most; the product takes the finer one, C-ocv12m-0", 0.30),
    "D-kt-5": (_FOUR_PER_MILLE, 0.0014),
    "D-kt-10": (_FOUR_PER_MILLE, 0.0012),
    "D-kt-25": (_FOUR_PER_MILLE, 0.0008),
    "D-kt-40": (_FOUR_PER_MILLE, 0.0012),
    "D-kt-75": (_FOUR_PER_MILLE, 0.0024),
    "D-nec8-str-16": (_ROUNDED, 0.011),
    "D-nec8-str-8": (_ROUNDED, 0.005),
}
"""Where the product stands beside a figure, not on it: why, and by how much at most."""


@dataclass(frozen=True, slots=True)
class NotUsed:
    """Why nothing in the product rests on a fact."""

    reason: str
    sign: str
    """What a shipped circuit, or the file format, would say if it came to use it; a pattern."""


_BY_TYPE = "the format knows no type of cell; a bank of another voltage states its volts"
_BLOWING = "the solver blows no fuse; a blown one is a fault like any other"
_DENSITY = "a bank's voltage is measured, never worked out from its acid"
FACTS_NOT_USED: Mapping[str, NotUsed] = {
    "C-float-gel": NotUsed(_BY_TYPE, r"(?i)\bgel\b"),
    "C-float-flooded": NotUsed(_BY_TYPE, r"(?i)\bflooded\b"),
    "C-float-agm": NotUsed(_BY_TYPE, r"(?i)\bAGM\b"),
    "C-ocv-sg": NotUsed(_DENSITY, r"(?i)density|gravity"),
    "C-ocv-sg-24": NotUsed(_DENSITY, r"(?i)density|gravity"),
    "C-rest": NotUsed("how long a bank has rested is not known to the solver", r"(?i)hours? of rest|rested for"),
    "C-sg-temp": NotUsed(_DENSITY, r"(?i)hydrometer"),
    "D-iacs-mass": NotUsed("the resistivity by volume is the constant; D-iacs-check holds it to this", r"g/m2|g/m²"),
    "E-127-1.5": NotUsed(_BLOWING, r"60127|melts?\b"),
    "E-127-2.1": NotUsed(_BLOWING, r"60127|melts?\b"),
    "E-127-10": NotUsed(_BLOWING, r"60127|melts?\b"),
    "E-61810-range": NotUsed("a coil works from 80 % (E-relay-pick) and has no upper end or class", r"61810|110 %"),
}


def _checks_of(entry: Entry) -> list[str]:
    if entry.id in FACTS_NOT_USED:
        return []
    return [name for name in CHECKS if (entry.id.startswith(name[:-1]) if name.endswith("*") else entry.id == name)]


def test_every_figure_has_exactly_one_check_or_is_listed_as_not_used() -> None:
    assert len(BY_ID) == len(ENTRIES) == 29 + 61 + 23
    assert all(entry.id[0] in "CDE" for entry in ENTRIES)
    assert {entry.id: len(_checks_of(entry)) for entry in ENTRIES} == {
        entry.id: 0 if entry.id in FACTS_NOT_USED else 1 for entry in ENTRIES
    }
    assert {name for entry in ENTRIES for name in _checks_of(entry)} == set(CHECKS)


def test_the_facts_that_nothing_rests_on_are_these() -> None:
    assert list(FACTS_NOT_USED) == [
        "C-float-gel",
        "C-float-flooded",
        "C-float-agm",
        "C-ocv-sg",
        "C-ocv-sg-24",
        "C-rest",
        "C-sg-temp",
        "D-iacs-mass",
        "E-127-1.5",
        "E-127-2.1",
        "E-127-10",
        "E-61810-range",
    ]
    folder = Path(str(files("meterlink_procedures"))) / "circuits"
    texts = [read_file(path, "a circuit").text for path in sorted(folder.glob("*.yaml"))]
    said = "\n".join([*texts, json.dumps(circuit_schema(), ensure_ascii=False)])
    assert [name for name, fact in FACTS_NOT_USED.items() if re.search(fact.sign, said)] == []


def _off(entry: Entry) -> list[float]:
    """How far each number that the product finds lies beside the figure."""
    (name,) = _checks_of(entry)
    found = CHECKS[name](entry)
    pairs = zip(
        found if isinstance(found, Sequence) else [found],
        entry.expected if isinstance(entry.expected, list) else [entry.expected],
        strict=True,
    )
    return [abs(each - of) - 1e-12 * abs(of) for each, of in pairs]


@pytest.mark.parametrize(
    "entry",
    [entry for entry in ENTRIES if entry.id not in FACTS_NOT_USED and entry.id not in DIFFERS],
    ids=lambda entry: entry.id,
)
def test_reproduces(entry: Entry) -> None:
    assert max(_off(entry)) <= entry.tolerance, entry.source


@pytest.mark.parametrize("name", DIFFERS)
def test_stands_beside_the_figure_by_no_more_than_is_known(name: str) -> None:
    _, most = DIFFERS[name]
    assert BY_ID[name].tolerance < max(_off(BY_ID[name])) <= most


# What is said of these figures elsewhere


@pytest.mark.parametrize("entry", [entry for entry in ENTRIES if entry.id.startswith("D-kt-")], ids=lambda e: e.id)
def test_the_annex_s_factors_are_those_of_four_per_mille(entry: Entry) -> None:
    """IEC 60228, annex: 1 / (1 + 0.004 (t - 20)), which the product's coefficient misses by 0.3 % at most."""
    factor = 1 / (1 + 0.004 * (entry.number("t") - 20))
    assert factor == pytest.approx(entry.expected, abs=entry.tolerance)
    assert 1 / at_temperature(1, entry.number("t")) == pytest.approx(entry.expected, rel=0.003)


@pytest.mark.parametrize("entry", [entry for entry in ENTRIES if entry.id.startswith("C-ocv12")], ids=lambda e: e.id)
def test_every_table_s_rested_voltage_lies_in_its_state_s_span(entry: Entry) -> None:
    """Published tables differ by up to 0.1 V on six cells: both lie inside, but for that tenth."""
    charge = int(entry.number("soc_pct"))
    span = bank_volts(6, {100: "full", 0: "discharged"}.get(charge, f"{charge} %"))
    assert span.low - 1e-9 <= entry.expected <= span.high + 1e-9


def test_a_cold_bank_s_float_is_the_upper_limit_of_the_start_up_check() -> None:
    """2.30 V and 20 K of 5 mV a cell, 12 cells (battery makers' manuals)."""
    assert bank_volts(12, "float", 5).high == pytest.approx(28.8)
    assert bank_volts(12, "float", 5).low == pytest.approx(12 * (2.25 + 20 * 0.003))


def test_at_rest_a_bank_has_no_coefficient() -> None:
    """Only what a charger sets goes with the temperature (battery makers' manuals)."""
    assert bank_volts(12, "full", 5) == bank_volts(12, "full", 25)


def test_a_good_conductor_reads_below_the_standard_s_largest() -> None:
    """Of plain wires the table lies 4 to 16 % above 17.241 Ohm mm²/km, of coated ones to 20 % (worked out here)."""
    for kind, table in IEC_60228.items():
        shares = [most / least_per_km(mm2) for mm2, most in table.items()]
        assert 1.04 < min(shares) < max(shares) < (1.20 if kind == "5-coated" else 1.16)


def test_mass_and_density_give_the_resistivity() -> None:
    """NBS Handbook 100: 0.15328 Ohm g/m² and 8.89 g/cm³."""
    entry = BY_ID["D-iacs-check"]
    assert entry.number("mass") / entry.number("density") == pytest.approx(IACS, abs=entry.tolerance)


def test_four_awg_sizes_are_a_cross_section_of_their_circular_mils() -> None:
    """NEC Chapter 9 Table 8 gives 0.823, 2.08, 5.261 and 8.367 mm² for 18, 14, 10 and 8 AWG (from memory)."""
    assert [awg_mm2(awg) for awg in (18, 14, 10, 8)] == pytest.approx([0.823, 2.08, 5.261, 8.367], rel=0.002)


def test_what_is_in_no_table_is_refused_and_never_interpolated() -> None:
    with pytest.raises(ValueError, match=r"0\.8 mm2: expected one of 0\.5, 0\.75, 1, 1\.5, 2\.5, 4, 6 mm2"):
        metric_per_km(0.8)
    with pytest.raises(ValueError, match=r"3 A: expected one of 1, 1\.25, 1\.6, 2, 2\.5, 3\.15, 4, 5, 6\.3, 8, 10 A"):
        fuse_ohms(3)
