"""The circuit solver held against ngspice: random networks under every single fault, and a lift's fault dictionary.

    python tests/spice_figures.py [CIRCUIT]

For 300 random networks, every single fault and some more, each node's voltage with the meter on that node alone, one
voltage and one resistance between two nodes, and what the coils do. Then the fault dictionary of a lift of 40 elements,
or of a circuit by its file or id: the same answers, and the time they take beside one run of ngspice a fault.
"""

import random
import sys
import tempfile
import time
from collections.abc import Collection, Iterable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field, fields
from functools import cached_property
from itertools import compress, cycle, product
from pathlib import Path
from statistics import median

import click

from meterlink.circuit.fault import Fault, Faults, Kin, name_of, single_faults, suspects
from meterlink.circuit.load import load_circuit
from meterlink.circuit.parse import parse_circuit
from meterlink.circuit.parts import Circuit, Pull, Situation
from meterlink.circuit.solve import Bench, RestlessError, State
from random_circuits import random_circuit
from spice import Deck, Meter, Network, Volts, has_path, network, ngspice, read, run, write

NETWORKS = 300
MORE = 5
"""Faults of every network besides its single ones: other sizes, and pairs of opens."""

PAIRS = 8
"""Pairs of nodes between which voltage and resistance are compared, in turn."""

REPEATS = 5

VOLTS, SHARE = 1e-3, 1e-5
"""By so much, or by such a share, a reading may differ from ngspice's."""

_PATH_SIEMENS = 1.1e-10
_NO_PATH_SIEMENS = 0.9e-10
"""A diode of more is a path, one of less is none; in between, at 10 GOhm, a node may count as floating or not."""

_PROBE_AMPERES = 1e-3
"""What ngspice drives through a resistance to find it."""

Entry = tuple[Faults, State, dict[str, float | None]]
"""Faults, what they bring about, and all readings."""

LIFT = """\
circuit: lift-of-40
title: A lift of 40 elements, invented
reference: PE
elements:
  - {id: G1, kind: battery, from: 0V, to: L+, cells: 12, state: float}
  - {id: T1, kind: charger, from: 0V, to: "T1:+"}
  - {id: F3, kind: fuse, from: "T1:+", to: L+, rating: 5 A}
  - {id: W1, kind: conductor, from: 0V, to: PE, length: 2 m, section: 1.5 mm2}
  - {id: F1, kind: fuse, from: L+, to: "F1:2", rating: 5 A}
  - {id: Q1, kind: breaker, from: "F1:2", to: "Q1:2"}
  - {id: S1, kind: contact, from: "Q1:2", to: "S1:2", positive: yes}
  - {id: W2, kind: conductor, from: "S1:2", to: "X1:1", length: 6 m, section: 0.75 mm2}
  - {id: X1, kind: connector, from: "X1:1", to: "X1:2"}
  - {id: B1, kind: contact, from: "X1:2", to: "B1:2", positive: yes}
  - {id: B2, kind: contact, from: "B1:2", to: "B2:2", positive: yes}
  - {id: B3, kind: contact, from: "B2:2", to: "B3:2", positive: yes}
  - {id: W3, kind: cable, from: "B3:2", to: "X2:1", length: 12 m, section: 0.75 mm2}
  - {id: X2, kind: connector, from: "X2:1", to: "X2:2"}
  - {id: S2, kind: contact, from: "X2:2", to: "S2:2", positive: yes}
  - {id: B4, kind: contact, from: "S2:2", to: "B4:2", positive: yes}
  - {id: B5, kind: contact, from: "B4:2", to: "B5:2", positive: yes}
  - {id: W4, kind: cable, from: "B5:2", to: "X3:1", length: 12 m, section: 0.75 mm2}
  - {id: X3, kind: connector, from: "X3:1", to: "X3:2"}
  - {id: XJ1, kind: jumper, from: "X3:2", to: "XJ1:2"}
  - {id: B6, kind: contact, from: "XJ1:2", to: "B6:2", positive: yes}
  - {id: W5, kind: conductor, from: "B6:2", to: "K1:A1", length: 3 m, section: 0.75 mm2}
  - {id: K1, kind: coil, from: "K1:A1", to: "K1:A2", resistance: 650 Ohm}
  - {id: V1, kind: diode, from: "K1:A2", to: "K1:A1"}
  - {id: W6, kind: conductor, from: "K1:A2", to: 0V, length: 2 m, section: 0.75 mm2}
  - {id: F2, kind: fuse, from: "Q1:2", to: "F2:2", rating: 2 A}
  - {id: S3, kind: contact, from: "F2:2", to: "S3:2", normally: open}
  - {id: B7, kind: contact, from: "S3:2", to: "B7:2"}
  - {id: K1a, kind: contact, from: "B7:2", to: "K2:A1", normally: open, coil: K1}
  - {id: K2, kind: coil, from: "K2:A1", to: "K2:A2", resistance: 480 Ohm}
  - {id: V2, kind: diode, from: "K2:A2", to: "K2:A1"}
  - {id: W7, kind: conductor, from: "K2:A2", to: 0V, length: 2 m, section: 0.75 mm2}
  - {id: K2a, kind: contact, from: "F1:2", to: "M1:1", normally: open, coil: K2}
  - {id: M1, kind: motor, from: "M1:1", to: "M1:2", resistance: 1.2 Ohm}
  - {id: W8, kind: conductor, from: "M1:2", to: 0V, resistance: 10 mOhm}
  - {id: X4, kind: connector, from: "K1:A1", to: "P1:1"}
  - {id: P1, kind: lamp, from: "P1:1", to: "P1:2", resistance: 240 Ohm}
  - {id: W9, kind: conductor, from: "P1:2", to: 0V, length: 4 m, section: 0.75 mm2}
  - {id: R1, kind: resistor, from: "Q1:2", to: "P2:1", resistance: 2.2 kOhm}
  - {id: XJ2, kind: jumper, from: "B3:2", to: "S2:2", use: temporary}
situations:
  - {name: called, operated: [S3]}
"""


@dataclass
class Figures:
    """What came out."""

    states: int = 0
    readings: int = 0
    """Compared, the floating ones included."""
    floating: int = 0
    doubtful: int = 0
    """Where a node may count as floating or not."""
    resistances: int = 0
    coils: int = 0
    restless: int = 0
    """States in which the relays do not come to rest: only that is compared."""
    races: list[str] = field(default_factory=list)
    """Those among them that could rest if not all the relays moved at the same time."""
    worst: float = 0.0
    """Largest deviation of a voltage, in V."""
    wrong: list[str] = field(default_factory=list)

    def add(self, other: "Figures") -> None:
        """Add what came out elsewhere."""
        self.worst = max(self.worst, other.worst)
        for each in fields(self):
            if each.name != "worst":
                setattr(self, each.name, getattr(self, each.name) + getattr(other, each.name))


@dataclass
class Trial:
    """A circuit in one situation, here and there."""

    circuit: Circuit
    situation: Situation
    figures: Figures = field(default_factory=Figures)

    def __post_init__(self) -> None:
        self.bench = Bench(self.circuit)

    def network(self, faults: Faults, state: State, *, supplied: bool = True) -> Network:
        """The netlist, its relays where the solver left them."""
        return network(self.circuit, self.situation, faults, self.bench.nominal, state.working, supplied=supplied)

    def dictionary(self) -> Iterator[Entry]:
        """All readings under every single fault under which the relays come to rest."""
        for suspect in single_faults(self.circuit):
            try:
                state = self.bench.state(suspect.faults, self.situation.name)
            except RestlessError:
                continue
            yield suspect.faults, state, self.bench.readings(state)

    def metered(self, network: Network) -> Deck:
        """A copy without a meter, and one for each node but the reference, with the meter there."""
        nodes = self.circuit.nodes
        return [(network, None), *((network, Meter(node, nodes[0])) for node in nodes[1:])]

    def compare(self, cases: Iterable[tuple[Faults, Meter]]) -> None:
        """Compare the states with these faults; between two nodes, named by the meter, a voltage and a resistance."""
        states, decks = [], []
        for faults, across in cases:
            try:
                state = self.bench.state(faults, self.situation.name)
            except RestlessError:
                self._restless(faults)
                continue
            dead = self.bench.state(faults, self.situation.name, supplied=False)
            shown = self.network(faults, state)
            unsupplied = self.network(faults, dead, supplied=False)
            ohms = Meter(across.plus, across.minus, _PROBE_AMPERES)
            states.append((faults, state, dead))
            decks.append([*self.metered(shown), (shown, across), (unsupplied, ohms)])
        for (faults, state, dead), deck, volts in zip(states, decks, run(decks), strict=True):
            self.figures.states += 1
            name = f"{self.circuit.name} {self.situation.name} {name_of(faults)}"
            self._coils(name, state, deck[0][0], volts[0])
            self.readings(name, self.bench.readings(state), deck[:-2], volts)
            self._between(name, state, deck[-2], volts[-2])
            self._resistance(name, dead, deck[-1], volts[-1])

    def readings(self, name: str, ours: dict[str, float | None], deck: Deck, volts: Sequence[Volts]) -> None:
        """Compare all readings of a state."""
        for copy, found in zip(deck, volts, strict=False):
            if copy[1] is not None:
                self._reading(name, ours[copy[1].plus], (copy[0], copy[1]), found)

    def _reading(self, name: str, ours: float | None, copy: tuple[Network, Meter], volts: Volts) -> None:
        figures, meter = self.figures, copy[1]
        theirs = volts[meter.plus] - volts[meter.minus]
        path, no_path = has_path(*copy, volts, _PATH_SIEMENS), not has_path(*copy, volts, _NO_PATH_SIEMENS)
        figures.readings += 1
        figures.floating += ours is None
        figures.doubtful += not path and not no_path
        apart = 0.0 if ours is None else abs(ours - theirs)
        figures.worst = max(figures.worst, apart)
        if (path if ours is None else no_path) or apart > max(VOLTS, SHARE * abs(theirs)):
            floats = "floats" if no_path else "may float" if not path else "does not float"
            figures.wrong.append(f"{name}: {meter.ends} reads {ours}, with ngspice {theirs}; it {floats}")

    def _between(self, name: str, state: State, copy: tuple[Network, Meter | None], volts: Volts) -> None:
        network, meter = copy
        assert meter is not None
        self._reading(name, self.bench.reading(state, meter.plus, meter.minus), (network, meter), volts)

    def _resistance(self, name: str, dead: State, copy: tuple[Network, Meter | None], volts: Volts) -> None:
        network, meter = copy
        assert meter is not None
        ours = self.bench.resistance(dead, meter.plus, meter.minus)
        theirs = (volts[meter.plus] - volts[meter.minus]) / _PROBE_AMPERES if network.joins(*meter.ends) else None
        self.figures.resistances += 1
        if ours is None or theirs is None:
            apart = 0.0 if ours is theirs else float("inf")
        else:
            apart = abs(ours - theirs) - SHARE * theirs
        if apart > 1e-6:
            self.figures.wrong.append(f"{name}: {meter.ends} has {ours} Ohm, with ngspice {theirs}")

    def _coils(self, name: str, state: State, network: Network, volts: Volts) -> None:
        self.figures.coils += len(self._pulls)
        self.figures.wrong += [f"{name}: {each}" for each in self._unruly(network, volts, state.working)]

    @cached_property
    def _pulls(self) -> list[tuple[str, Pull, float]]:
        """The tag of each coil, when it works, and its resistance in Ohm."""
        parts = zip(self.circuit.parts, self.bench.nominal.ohms, strict=True)
        return [(part.id, part.pull, ohms) for part, ohms in parts if part.pull is not None]

    def _unruly(self, network: Network, volts: Volts, working: Collection[str]) -> Iterator[str]:
        """The coils that cannot work, or rest, at the voltage that ngspice finds across their own resistance."""
        pieces = {piece.tag: piece for piece in network.pieces}
        for tag, pull, ohms in self._pulls:
            across = 0.0
            if tag in pieces:
                tail, head = pieces[tag].ends
                across = min(1.0, ohms / pieces[tag].ohms) * abs(volts[tail] - volts[head])
            if across < pull.releases - VOLTS if tag in working else across >= pull.operates + VOLTS:
                yield f"{tag} {'works' if tag in working else 'rests'} at {across} V"

    def _restless(self, faults: Faults) -> None:
        """Where the solver finds no rest: is there none, whichever coils work, by the voltages that ngspice finds?"""
        self.figures.restless += 1
        tags = [tag for tag, _, _ in self._pulls]
        choices = [set(compress(tags, bits)) for bits in product((0, 1), repeat=len(tags))]
        values = self.bench.nominal
        networks = [network(self.circuit, self.situation, faults, values, working) for working in choices]
        for working, shown, (volts,) in zip(choices, networks, run([[(each, None)] for each in networks]), strict=True):
            if not list(self._unruly(shown, volts, working)):
                name = f"{self.circuit.name} {self.situation.name} {name_of(faults)}"
                self.figures.races.append(f"{name}: at rest while {sorted(working)} work")


def compare(seed: int) -> Figures:
    """Compare a random network: in one situation every single fault and some more, in the others none."""
    chance = random.Random(f"faults {seed}")
    circuit = parse_circuit(random_circuit(seed), "random")
    chosen = chance.choice([*circuit.situations])
    figures = Figures()
    for name, situation in circuit.situations.items():
        faults: list[Faults] = [()]
        if name == chosen:
            faults = [suspect.faults for suspect in single_faults(circuit)]
            others = [suspect.faults for suspect in suspects(circuit) if suspect.faults not in set(faults)]
            faults += chance.sample(others, min(MORE, len(others)))
            faults += [(Fault(Kin.HIGH, part.id, 300.0),) for part in circuit.parts if part.pull is not None][:1]
        _compare_states(Trial(circuit, situation, figures), faults, chance)
    return figures


def compare_all(circuit: Circuit, situations: Iterable[str]) -> Figures:
    """Compare a circuit under every single fault, in these situations."""
    figures = Figures()
    faults = [suspect.faults for suspect in single_faults(circuit)]
    for name in situations:
        trial = Trial(circuit, circuit.situations[name], figures)
        _compare_states(trial, faults, random.Random(circuit.name))
    return figures


def _compare_states(trial: Trial, faults: Sequence[Faults], chance: random.Random) -> None:
    across = [Meter(plus, minus) for plus, minus in (chance.sample(trial.circuit.nodes, 2) for _ in range(PAIRS))]
    trial.compare(zip(faults, cycle(across), strict=False))


@dataclass
class Times:
    """What the fault dictionary of a circuit in one situation took, in s."""

    faults: int
    """Those under which the relays come to rest."""
    here: float
    """All of it, with what is made of the circuit first; the median of several times."""
    metered: float = 0.0
    """One run of ngspice a fault, a meter at every point."""
    bare: float = 0.0
    """One run of ngspice a fault, without any meter: not the same answers."""


def dictionary_times(circuit: Circuit, situation: Situation, figures: Figures) -> Times:
    """Work out every reading under every single fault here, and with one run of ngspice a fault; compare them."""
    runs = [_once(circuit, situation) for _ in range(REPEATS)]
    entries = runs[0][1]
    trial = Trial(circuit, situation, figures)
    times = Times(len(entries), median(seconds for seconds, _ in runs))
    for faults, state, ours in entries:
        deck = trial.metered(trial.network(faults, state))
        metered, volts = _timed(deck)
        times.metered += metered
        times.bare += _timed(deck[:1])[0]
        trial.readings(f"{circuit.name} {situation.name} {name_of(faults)}", ours, deck, volts)
    return times


def _once(circuit: Circuit, situation: Situation) -> tuple[float, list[Entry]]:
    began = time.perf_counter()
    entries = list(Trial(circuit, situation).dictionary())
    return time.perf_counter() - began, entries


def _timed(deck: Deck) -> tuple[float, list[Volts]]:
    """Run ngspice once; only its own run is timed, not what is written for it or read after it."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        write(folder, [deck])
        began = time.perf_counter()
        said = ngspice(folder)
        seconds = time.perf_counter() - began
        return seconds, read(folder, [deck], said)[0]


def main(circuit: Circuit) -> int:
    """Print the figures; return the exit status."""
    total = Figures()
    with ProcessPoolExecutor() as pool:
        for figures in pool.map(compare, range(NETWORKS), chunksize=5):
            total.add(figures)
    click.echo(f"{NETWORKS} random networks in {total.states} states: {total.readings} readings,")
    click.echo(f"{total.floating} of them floating, {total.doubtful} where that is a matter of taste;")
    click.echo(f"{total.resistances} resistances, {total.coils} coils; {total.restless} states more never rest,")
    click.echo(f"{len(total.races)} of which could. Largest deviation: {1e3 * total.worst:.3f} mV.")
    click.echo(f"Not the same as with ngspice: {len(total.wrong)}")
    for situation in circuit.situations.values():
        figures = Figures()
        times = dictionary_times(circuit, situation, figures)
        click.echo(
            f"\n{circuit.title}, {situation.name}: {len(circuit.parts)} elements, {len(circuit.nodes)} nodes, "
            f"{times.faults} faults"
        )
        for what, seconds in (("here", times.here), ("ngspice", times.metered), ("ngspice, no meter", times.bare)):
            click.echo(f"{what:>20}: {1e3 * seconds / times.faults:8.3f} ms a fault, {seconds / times.here:6.1f} times")
        click.echo(f"Largest deviation: {1e3 * figures.worst:.3f} mV. Not the same: {len(figures.wrong)}")
        total.wrong += figures.wrong
    for line in total.wrong[:40]:
        click.echo(line)
    return 1 if total.wrong else 0


if __name__ == "__main__":
    sys.exit(main(load_circuit(sys.argv[1]).circuit if len(sys.argv) > 1 else parse_circuit(LIFT, "lift")))
