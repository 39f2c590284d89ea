"""The shipped circuits: clean, sound in every situation, and each symptom with the causes that it should have."""

from collections.abc import Mapping
from importlib.resources import files
from pathlib import Path

import pytest
import yaml
from jsonschema import Draft202012Validator

from meterlink.circuit.fault import Fault, Kin, single_faults
from meterlink.circuit.parse import examine_circuit, parse_circuit
from meterlink.circuit.parts import REST
from meterlink.circuit.schema import circuit_schema
from meterlink.circuit.solve import Bench, RestlessError, chosen, working_loads
from meterlink.procedure.load import load_procedure, read_file
from meterlink.procedure.model import ReadingStep
from meterlink_sim.circuit import CHAIN, COIL_OHMS, EDGE

SEARCHED = ("branched-chain", "start-up", "two-stop-lift")
LIBRARY = ("battery-charger", "door-locks", "emergency-stops", "hand-over", "mains-parts", "safety-edge")
"""Those of one procedure each; what is wrong is looked for after a step, not by a symptom."""
SHIPPED = tuple(sorted((*SEARCHED, *LIBRARY)))
Seen = Mapping[str, Mapping[str, Mapping[str, set[str] | None]]]
"""By circuit, single fault and situation: what works. None: the relays do not come to rest."""


def shipped_text(name: str) -> str:
    return read_file(Path(str(files("meterlink_procedures"))) / "circuits" / f"{name}.yaml", "a circuit").text


@pytest.fixture(scope="module")
def benches() -> Mapping[str, Bench]:
    return {name: Bench(parse_circuit(shipped_text(name), f"{name}.yaml")) for name in SHIPPED}


def works(bench: Bench, situation: str, fault: Fault | None = None) -> set[str]:
    state = bench.state((fault,) if fault else (), situation)
    return {load for load, does in working_loads(bench, state).items() if does}


def test_these_are_shipped() -> None:
    folder = Path(str(files("meterlink_procedures"))) / "circuits"
    assert tuple(sorted(path.stem for path in folder.iterdir())) == SHIPPED


@pytest.mark.parametrize("name", SHIPPED)
def test_a_shipped_circuit_is_clean(name: str, benches: Mapping[str, Bench]) -> None:
    assert examine_circuit(shipped_text(name), f"{name}.yaml").problems == ()
    circuit = benches[name].circuit
    assert circuit.name == name
    assert circuit.title
    assert circuit.cautions[0] == "Only trained and authorised people work on lifts."
    assert all(each.title for each in circuit.symptoms.values())
    assert all(each.title for each in circuit.situations.values() if each.name != REST)
    assert list(Draft202012Validator(circuit_schema()).iter_errors(yaml.safe_load(shipped_text(name)))) == []


# What works in each situation, worked out by hand from the drawing of each circuit.
HEALTHY = {
    "start-up": {
        "rest": "K1 K2",
        "charger-off": "K1 K2",
        "stop-pressed": "K2",
        "lower-door-open": "K2",
        "upper-door-open": "K2",
        "final-limit": "K2",
        "overtravel": "K2",
        "battery-out": "K1 K2",
        "edge-pressed": "K1",
        "edge-apart-pressed": "",
        "isolated": "",
        "edge-apart": "",
    },
    "two-stop-lift": {
        "rest": "K1 Y1",
        "between-landings": "K1 H1",
        "call-up": "K1 K2 M1 Y2 H1",
        "call-down": "K1 K3 M1 Y2 H1",
        "called-up": "K1 K2 M1 Y2 H1",
        "called-down": "K1 K3 M1 Y2 H1",
        "under-load": "K1 K2 M1 M1.2 Y2 H1",
        "up-held-motor-off": "K1 K2 H1",
        "upper-stop-worked": "K1 H1",
        "up-limit-worked": "K1 H1",
        "final-limit-worked": "H1",
        "overtravel-worked": "H1",
        "down-held-motor-off": "K1 K3 H1",
        "lower-stop-worked": "K1 H1",
        "down-limit-worked": "K1 H1",
        "near-upper-landing": "K1 K2 M1 Y2 Y1",
        "at-upper-landing": "K1 Y1",
        "past-upper-landing": "K1 Y1",
        "leaving-lower-landing": "K1 K2 M1 Y2 Y1",
        "near-lower-landing": "K1 K3 M1 Y2 Y1",
        "at-lower-landing": "K1 Y1",
        "past-lower-landing": "K1 Y1",
        "door-open": "Y1",
        "upper-door-open": "Y1",
        "stop-pressed": "Y1",
        "charger-off": "K1 Y1",
        "isolated": "",
    },
    "branched-chain": {
        "rest": "K1 K2 K3 H3",
        "stop-pressed": "K2 H2 H3",
        "final-limit": "K2 H2 H3",
        "lower-door-open": "K1 H2 H3",
        "upper-door-open": "K1 H2 H3",
        "fuse-1-out": "K2 H1 H2 H3",
        "fuse-2-out": "K1 H2 H3",
        "isolated": "",
    },
}
HEALTHY |= {
    "emergency-stops": {
        "rest": "K1",
        "up-held": "K1 K2",
        "cab-stop-pressed": "",
        "lower-stop-pressed": "",
        "upper-stop-pressed": "",
        "cab-stop-and-up": "",
        "lower-stop-and-up": "",
        "upper-stop-and-up": "",
        "isolated": "",
    },
    "safety-edge": {
        "rest": "K2",
        "down-held": "K2 K4",
        "up-held": "K2 K3",
        "down-with-edge-pressed": "",
        "up-with-edge-pressed": "K3",
        "at-lower-landing": "K2",
        "at-lower-landing-down-held": "K2",
        "isolated": "",
        "edge-apart": "",
        "front-left-pressed": "",
        "front-right-pressed": "",
        "rear-right-pressed": "",
        "rear-left-pressed": "",
    },
    "door-locks": {
        "rest": "K1",
        "at-lower-landing": "K1",
        "button-held": "K1 K4",
        "release-while-held": "K1 K4",
        "lower-released-inside": "Y1",
        "lower-released-outside": "Y1",
        "lower-open-and-held": "",
        "lower-door-open": "",
        "release-between": "K1",
        "at-upper-landing": "K1",
        "upper-released-inside": "Y2",
        "upper-released-outside": "Y2",
        "upper-release-while-held": "K1 K4",
        "upper-door-open": "",
        "isolated": "",
    },
    "battery-charger": {
        "rest": "K1",
        "charger-off": "K1",
        "empty-on-battery": "K1 K2 M1",
        "loaded-on-battery": "K1 K2 M1 M1.2",
    },
    "mains-parts": {"rest": "K1", "unplugged": ""},
    "hand-over": {
        "rest": "K1",
        "up-held": "K1 K2 M1",
        "loaded-run": "K1 K2 M1 M1.2",
        "final-limit": "",
        "stop-pressed": "",
        "lower-door-open": "",
        "upper-door-open": "",
        "isolated": "",
    },
}
# A button that hangs while the other one is held: both contactors pull at once and break each other's path. In a real
# lift the one that was in first stays in.
RESTLESS = {"two-stop-lift": {"bridged:S2", "bridged:S3", "bridged:S4", "bridged:S5"}}


@pytest.mark.parametrize("name", SHIPPED)
def test_in_a_healthy_circuit_this_works(name: str, benches: Mapping[str, Bench]) -> None:
    bench = benches[name]
    found = {situation: set(works(bench, situation)) for situation in bench.circuit.situations}
    assert found == {situation: set(loads.split()) for situation, loads in HEALTHY[name].items()}


@pytest.fixture(scope="module")
def seen(benches: Mapping[str, Bench]) -> Seen:
    def tried(bench: Bench, fault: Fault | None, situation: str) -> set[str] | None:
        try:
            return works(bench, situation, fault)
        except RestlessError:
            return None

    return {
        name: {
            each.name: {
                situation: tried(bench, next(iter(each.faults), None), situation)
                for situation in bench.circuit.situations
            }
            for each in single_faults(bench.circuit)
        }
        for name, bench in benches.items()
    }


@pytest.mark.parametrize("name", SHIPPED)
def test_every_single_fault_can_be_solved_in_every_situation(name: str, seen: Seen) -> None:
    restless = {fault for fault, found in seen[name].items() if None in found.values()}
    assert restless == RESTLESS.get(name, set())


def causes(bench: Bench, seen: Mapping[str, Mapping[str, set[str] | None]], symptom: str) -> set[str]:
    shows = bench.circuit.symptoms[symptom].shows
    return {
        fault
        for fault, found in seen.items()
        if all((works := found[show.situation]) is not None and (show.coil in works) is show.works for show in shows)
    }


# The single faults that produce all of a symptom, checked one by one against the drawing. A high resistance is 316 Ohm.
# Which shorts to earth are so near the supply that they pull all of it down is the solver's word alone.
CAUSES = {
    "start-up": {
        "mains-only": "source:G1",
        "runs-with-stop-pressed": "bridged:S1",
        "runs-with-lower-door-open": "bridged:B3",
        "runs-with-upper-door-open": "bridged:B4",
        "runs-over-the-final-limit": "bridged:B1",
        "runs-down-with-edge-pressed": "bridged:B5",
        "runs-up-not-down": (
            "open:X7.1 high:X7.1 open:W7.1 high:W7.1 open:B5 high:B5 open:B6 high:B6 open:B7 high:B7 open:B8 high:B8 "
            "open:W7.2 high:W7.2 open:X7.2 high:X7.2 open:K2 earth:B6:12 earth:B7:12 earth:B8:12 earth:X7:2 earth:K2:A1"
        ),
    },
    "two-stop-lift": {
        "motor-stalls": "open:Y2",
        "stops-short": "open:B12.1 high:B12.1 earth:X5:6",
        "stops-short-lower": "open:B11.1 high:B11.1 earth:X5:6",
        "stops-past": "bridged:B7",
        "stops-past-lower": "bridged:B8",
        "door-stays-locked": ("open:B11.2 high:B11.2 open:W5.6 high:W5.6 open:Y1 bridged:V4 earth:Y1:A1"),
        "door-does-not-lock": "bridged:B11.2 bridged:B12.2",
        "mains-only": "source:G1 open:F1 high:F1",
        "stops-under-load": "source:G1 open:F1 high:F1",
        "does-not-stop": "bridged:S2 bridged:S3 bridged:S4 bridged:S5 bridged:K2.2 bridged:K3.2",
        "runs-with-stop-pressed": "bridged:S1",
        "runs-with-door-open": "bridged:B3",
        "runs-with-upper-door-open": "bridged:B4",
        "runs-up-not-down": (
            "open:S3 high:S3 open:W5.5 high:W5.5 open:B8 high:B8 open:B10 high:B10 open:K2.1 high:K2.1 open:K3 "
            "bridged:V3 open:K3.2 high:K3.2 earth:S3:14 earth:X5:5 earth:B8:12 earth:B10:12 earth:K3:A1"
        ),
        "runs-down-not-up": (
            "open:S2 high:S2 open:W5.4 high:W5.4 open:B7 high:B7 open:B9 high:B9 open:K3.1 high:K3.1 open:K2 "
            "bridged:V2 open:K2.2 high:K2.2 earth:S2:14 earth:X5:4 earth:B7:12 earth:B9:12 earth:K2:A1"
        ),
    },
    "branched-chain": {
        "chain-a-open": (
            "open:F1 high:F1 open:W1.1 high:W1.1 open:S1 high:S1 open:W1.2 high:W1.2 open:X1 high:X1 open:B1 high:B1 "
            "open:X8 high:X8 open:K1 earth:S1:11 earth:S1:12 earth:X1:1 earth:B1:11 earth:B1:12 earth:K1:A1"
        ),
        "chain-b-open": (
            "open:F2 high:F2 open:W2 high:W2 open:B3 high:B3 open:B4 high:B4 open:K2 "
            "earth:B3:13 earth:B3:14 earth:K2:A1"
        ),
        "fuse-lamp-lit": "open:F1",
        # A shorted steering diode is a sneak path from the other chain; a welded relay contact does the same.
        "runs-with-stop-pressed": "bridged:S1 bridged:V1 bridged:K1.1",
        "runs-over-the-final-limit": "bridged:B1 bridged:V1 bridged:K1.1",
        "runs-with-lower-door-open": "bridged:B3 bridged:X9 bridged:V2 bridged:K2.1",
        "runs-with-upper-door-open": "bridged:B4 bridged:X9 bridged:V2 bridged:K2.1",
    },
}


@pytest.mark.parametrize("name", SEARCHED)
def test_each_symptom_has_the_causes_that_it_should_have(name: str, benches: Mapping[str, Bench], seen: Seen) -> None:
    symptoms = set(benches[name].circuit.symptoms)
    assert symptoms == {*CAUSES[name], "will-not-run"}
    for symptom, expected in CAUSES[name].items():
        assert causes(benches[name], seen[name], symptom) == set(expected.split()), symptom


@pytest.mark.parametrize("name", SEARCHED)
def test_nothing_runs_where_the_supply_or_the_chain_is_open(
    name: str, benches: Mapping[str, Bench], seen: Seen
) -> None:
    """All that lies behind an open element is dead (common practice, no source)."""
    found = causes(benches[name], seen[name], "will-not-run")
    chain = {"start-up": "W1 F1 W2 Q1 B1 B2 S1 B3 B4 K1", "two-stop-lift": "Q1 B1 B2 S1 X2.1 B3 B4 K1 W2 M1"}
    for part in chain.get(name, "Q1 F1 F2 S1 B1 B3 B4 K1 K2 K3").split():
        assert f"open:{part}" in found
    assert not any(fault.startswith("bridged:B") for fault in found)
    assert "none" not in found


def test_the_door_s_lamp_feeds_what_lies_behind_the_open_zone_contacts(benches: Mapping[str, Bench]) -> None:
    """A lamp makes a dead wire look live where the coil behind it is open (common practice, no source)."""
    bench = benches["two-stop-lift"]
    sound = bench.reading(bench.state(situation="between-landings"), "Y1:A1")
    broken = bench.reading(bench.state((Fault(Kin.OPEN, "Y1"),), "between-landings"), "Y1:A1")
    supply = bench.reading(bench.state(situation="between-landings"), "Q1:2")
    assert sound is not None
    assert broken is not None
    assert supply is not None
    assert sound == pytest.approx(supply * 48 / (48 + 2400), rel=1e-3)
    assert broken == pytest.approx(supply, rel=1e-3)


def test_a_blown_fuse_reads_good_through_its_lamp_while_its_chain_is_open(benches: Mapping[str, Bench]) -> None:
    """10 kOhm of lamp before 10 MOhm of meter take a thousandth off, before a relay's 650 Ohm most."""
    bench = benches["branched-chain"]
    blown = (Fault(Kin.OPEN, "F1"),)
    supply = bench.reading(bench.state(blown, "stop-pressed"), "Q1:2")
    open_chain = bench.reading(bench.state(blown, "stop-pressed"), "F1:2")
    made = bench.reading(bench.state(blown), "F1:2")
    assert supply is not None
    assert open_chain == pytest.approx(supply * 10_000 / 10_010, rel=1e-4)
    assert made is not None
    assert made < 0.15 * 24


# The circuit of the start-up check beside its procedure and beside the simulated lift


def test_the_start_up_circuit_has_the_simulated_lift_s_chain(benches: Mapping[str, Bench]) -> None:
    circuit = benches["start-up"].circuit
    upper = "G1:+"
    for element in CHAIN:
        part = circuit.by_id[element.name]
        assert part.nodes == (upper, element.lower)
        assert (part.ohms.low, part.ohms.high) == pytest.approx(element.sound_ohms)
        upper = element.lower
    assert circuit.by_id["K1"].nodes == (upper, "PE")
    assert circuit.by_id["K1"].ohms.nominal == COIL_OHMS


def test_the_edge_s_loop_holds_what_the_simulated_one_has(benches: Mapping[str, Bench]) -> None:
    circuit = benches["start-up"].circuit
    loop = [circuit.by_id[name].ohms for name in ("W7.1", "B5", "B6", "B7", "B8", "W7.2")]
    least, most = EDGE.sound_ohms
    assert sum(each.low for each in loop) <= least
    assert sum(each.high for each in loop) >= most


def test_a_sound_start_up_circuit_passes_the_procedure_s_limits_at_both_ends_of_its_spans(
    benches: Mapping[str, Bench],
) -> None:
    bench = benches["start-up"]
    steps = [step for step in load_procedure("start-up").procedure.steps if isinstance(step, ReadingStep)]
    worst = (
        chosen(bench.circuit, lambda _, span: span.low),
        chosen(bench.circuit, lambda _, span: span.high),
    )
    for values in worst:
        live = bench.readings(bench.state(values=values))
        apart = bench.state(situation="edge-apart", values=values)
        isolated = bench.readings(bench.state(situation="isolated", values=values))
        for step in steps:
            if step.id == "edge-loop":
                found: float | None = bench.resistance(apart, "X7:1", "X7:2")
            else:
                found = isolated[step.point] if step.id == "proved-dead" else live[step.point]
            assert found is not None, step.id
            assert step.limits.low is None or found >= float(step.limits.low), step.id
            assert step.limits.high is None or found <= float(step.limits.high), step.id


def test_what_is_behind_an_open_element_is_dead_and_what_is_before_it_live(benches: Mapping[str, Bench]) -> None:
    """The last good point and the first dead one bracket the open element (common practice, no source)."""
    bench = benches["start-up"]
    nodes = ["G1:+", *(element.lower for element in CHAIN)]
    for place, element in enumerate(CHAIN):
        found = bench.readings(bench.state((Fault(Kin.OPEN, element.name),)))
        live = [value is not None and value > 20 for value in map(found.__getitem__, nodes)]
        assert live == [True] * (place + 1) + [False] * (len(nodes) - place - 1), element.name
