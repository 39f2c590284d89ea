"""The circuit solver held against ngspice, an independent circuit simulator, on random networks and on lifts.

A third of the networks of `python tests/spice_figures.py` (`make bench`), and not its times.
"""

from collections import Counter

import pytest

import spice
from meterlink.circuit.fault import single_faults
from meterlink.circuit.load import load_circuit
from meterlink.circuit.parse import parse_circuit
from meterlink.circuit.parts import Kind
from random_circuits import random_circuit
from spice import needs_ngspice
from spice_figures import LIFT, NETWORKS, Figures, compare, compare_all

CHUNK = 10


@needs_ngspice
@pytest.mark.parametrize("first", range(0, NETWORKS, 3 * CHUNK))
def test_random_networks_read_as_in_ngspice_under_every_single_fault(first: int) -> None:
    figures = Figures()
    for seed in range(first, first + CHUNK):
        figures.add(compare(seed))
    assert not figures.wrong
    assert figures.readings > 200 * CHUNK
    assert figures.doubtful < 0.001 * figures.readings
    assert figures.restless < 0.02 * figures.states
    assert not figures.races


@needs_ngspice
def test_a_lifts_fault_dictionary_is_that_of_ngspice() -> None:
    circuit = parse_circuit(LIFT, "lift")
    assert len(circuit.parts) == 40
    figures = compare_all(circuit, circuit.situations)
    assert not figures.wrong
    assert figures.states == 2 * len(single_faults(circuit))
    assert figures.worst < 1e-4


@needs_ngspice
@pytest.mark.parametrize(("name", "situation", "races"), [
    ("start-up", "rest", set()),
    ("branched-chain", "rest", set()),
    ("two-stop-lift", "call-up", {"bridged:S3", "bridged:S5"}),
])  # fmt: skip
def test_the_fault_dictionary_of_a_shipped_circuit_is_that_of_ngspice(
    name: str, situation: str, races: set[str]
) -> None:
    circuit = load_circuit(name).circuit
    figures = compare_all(circuit, [situation])
    assert not figures.wrong
    assert figures.states + figures.restless == len(single_faults(circuit))
    assert figures.worst < 1e-4
    # Both directions are called at once, and each has the other's interlock: which one comes first nobody knows.
    assert {race.split()[2].rstrip(":") for race in figures.races} == races


@needs_ngspice
def test_another_meter_is_noticed_and_so_the_comparison_can_tell(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(spice, "METER_OHMS", 1e6)
    assert compare(0).wrong


def test_random_networks_have_parts_of_every_kind_and_are_the_same_every_time() -> None:
    circuits = [parse_circuit(random_circuit(seed), "random") for seed in range(100)]
    kinds = Counter(part.kind for circuit in circuits for part in circuit.parts)
    assert min(kinds[kind] for kind in Kind) > 5
    assert sum(len(circuit.situations) > 1 for circuit in circuits) == len(circuits)
    assert sum(part.coil is not None for circuit in circuits for part in circuit.parts) > 20
    assert random_circuit(7) == random_circuit(7) != random_circuit(8)
