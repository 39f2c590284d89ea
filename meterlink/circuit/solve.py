"""Solves a circuit in a situation, with or without faults: what a meter shows at every point, and what coils do."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from math import fsum

from meterlink.circuit.fault import BRIDGE_OHMS, HIGH_OHMS, SHORT_OHMS, Fault, Faults, Kin
from meterlink.circuit.materials import Span
from meterlink.circuit.network import Branch, Edge, Reduced, Solution, Topology
from meterlink.circuit.parts import LEAST_OHMS, REST, Circuit, Kind, Part, Situation

METER_OHMS = 10e6
"""Input resistance of a hand multimeter in DC volts (safety notes of several makers: about 10 MOhm)."""

_STRAY_VOLTS = 1e-6
"""By so much diodes may make a reading differ before a circuit is solved anew with the meter in it."""

_MOST_MOVES = 20


class RestlessError(ArithmeticError):
    """The relays of a circuit do not come to rest: a contact interrupts the coil that works it."""


@dataclass(frozen=True, slots=True)
class Values:
    """One value of every part: what it happens to have."""

    ohms: tuple[float, ...]
    """In the order of the parts."""
    volts: tuple[float, ...]


def chosen(circuit: Circuit, choose: Callable[[int, Span], float]) -> Values:
    """Give every part a value out of its span.

    Args:
        circuit: the circuit.
        choose: given a part's place and a span of it, the value; called for the resistance, and for a source's voltage.
    """
    ohms = tuple(choose(index, part.ohms) for index, part in enumerate(circuit.parts))
    volts = tuple(choose(index, part.volts) if part.volts else 0.0 for index, part in enumerate(circuit.parts))
    return Values(ohms, volts)


def nominal(circuit: Circuit) -> Values:
    """The nominal value of every part."""
    return chosen(circuit, lambda _, span: span.nominal)


@dataclass(frozen=True, slots=True)
class State:
    """A circuit at rest: its relays have moved, and its nodes have their voltages."""

    branches: tuple[Branch, ...]
    solution: Solution
    """Without the meter."""
    working: frozenset[str]
    """The coils that work."""


@dataclass
class Bench:
    """A circuit on the bench: solves it again and again, in any state."""

    circuit: Circuit
    _seen: dict[Edge, Topology] = field(default_factory=dict)
    _at_rest: dict[str, list[bool]] = field(default_factory=dict)

    @cached_property
    def _topology(self) -> Topology:
        edges = [*self._edges, *self._earths]
        ends = {node for place, _ in self._coils for node in edges[place]}
        return Topology(len(self.circuit.nodes), edges, [*self._diodes, *self._relayed], ends)

    @cached_property
    def _edges(self) -> list[Edge]:
        return [(self.circuit.number[part.tail], self.circuit.number[part.head]) for part in self.circuit.parts]

    @cached_property
    def _earths(self) -> list[Edge]:
        """A place for a meter, or a short, from every node to the reference."""
        return [(node, 0) for node in range(1, len(self.circuit.nodes))]

    @cached_property
    def _diodes(self) -> list[int]:
        """Their places among the parts."""
        return [place for place, part in enumerate(self.circuit.parts) if part.diode is not None]

    @cached_property
    def _relayed(self) -> list[int]:
        """The places of the contacts that coils work."""
        return [place for place, part in enumerate(self.circuit.parts) if part.coil is not None]

    @cached_property
    def _coils(self) -> list[tuple[int, Part]]:
        return [(place, part) for place, part in enumerate(self.circuit.parts) if part.pull is not None]

    @cached_property
    def _open(self) -> list[Branch]:
        """Every part, and every place for a meter, while nothing is there that conducts."""
        return [Branch(*edge) for edge in (*self._edges, *self._earths)]

    @cached_property
    def _nominal_closed(self) -> list[Branch]:
        return self._closed(self.nominal)

    @cached_property
    def nominal(self) -> Values:
        """The nominal values."""
        return nominal(self.circuit)

    def state(
        self, faults: Faults = (), situation: str = REST, values: Values | None = None, *, supplied: bool = True
    ) -> State:
        """Let the circuit come to rest.

        Args:
            faults: what is wrong.
            situation: the name of one of the circuit's situations.
            values: of the parts; nominal unless told.
            supplied: whether its sources are joined to it; for ohms they are not, and no relay holds.

        Raises:
            RestlessError: its relays go on moving.
            KeyError: there is no such situation.
        """
        values = values or self.nominal
        chosen_situation = self.circuit.situations[situation]
        working: frozenset[str] = frozenset()
        closed = self._nominal_closed if values is self.nominal else self._closed(values)
        by_place = self._by_place(faults)
        branches = self._resting(closed, by_place, chosen_situation)
        for fault in faults:
            if fault.kin is Kin.EARTH:
                node = self.circuit.number[fault.at]
                branches[len(closed) + node - 1] = Branch(node, 0, 1 / SHORT_OHMS)
        if not supplied:
            for place in self._supplies:
                branches[place] = self._open[place]
        reduced = Reduced(self._topology, branches)
        junctions: tuple[float, ...] = ()
        for _ in range(_MOST_MOVES):
            settled = reduced.settled(branches, junctions)
            moved = self._working(branches, settled.volts, values, working)
            if moved == working or not self._relayed:
                return State(tuple(branches), settled.solution(), moved)
            working, junctions = moved, settled.junctions
            for place in self._relayed:
                conducts = _conducts(self.circuit.parts[place], chosen_situation, working)
                branches[place] = _faulty(closed[place], by_place.get(place, ()), conducts=conducts)
        raise RestlessError(f"the relays of {self.circuit.name} do not come to rest in {situation}")

    def readings(self, state: State, meter_ohms: float = METER_OHMS) -> dict[str, float | None]:
        """What a meter shows at every node, to the reference, on that node alone. None: the node floats."""
        even = self._evenly(state, meter_ohms)
        return {
            node: 0.0 if index == 0 else self._reading(state, index, meter_ohms, even=even)
            for index, node in enumerate(self.circuit.nodes)
        }

    def reading(
        self, state: State, point: str, reference: str | None = None, meter_ohms: float = METER_OHMS
    ) -> float | None:
        """What a meter shows between two nodes. None: one of them floats against the other."""
        one = self.circuit.number[point]
        other = self.circuit.number[reference] if reference is not None else 0
        if one == other:
            return 0.0
        if other == 0:
            return self._reading(state, one, meter_ohms)
        if one == 0:
            shown = self._reading(state, other, meter_ohms)
            return None if shown is None else -shown
        return self._between(state, one, other, meter_ohms)

    def resistance(self, state: State, point: str, reference: str | None = None) -> float | None:
        """The resistance between two nodes of an unsupplied state, diodes taken for open. None: no path."""
        one = self.circuit.number[point]
        other = self.circuit.number[reference] if reference is not None else 0
        if one == other:
            return 0.0
        branches, topology, node = self._seen_from(state, other, one)
        solution = topology.solve([Branch(branch.tail, branch.head, branch.siemens) for branch in branches])
        return None if solution.floating[node] else solution.ohms[node]

    def _seen_from(self, state: State, other: int, one: int) -> tuple[list[Branch], Topology, int]:
        """Let a node take the reference's place; the last branch, still open, is that of the meter to the other."""
        swap = {0: other, other: 0}
        node = swap.get(one, one)
        branches = [
            Branch(
                swap.get(branch.tail, branch.tail),
                swap.get(branch.head, branch.head),
                branch.siemens,
                branch.volts,
                branch.diode,
            )
            for branch in (*state.branches, Branch(one, other))
        ]
        if (other, one) not in self._seen:
            edges = [(branch.tail, branch.head) for branch in branches]
            self._seen[other, one] = Topology(len(self.circuit.nodes), edges, self._diodes)
        return branches, self._seen[other, one], node

    @cached_property
    def _supplies(self) -> list[int]:
        """The places of the sources."""
        return [place for place, part in enumerate(self.circuit.parts) if part.kind.supplies]

    def _evenly(self, state: State, meter_ohms: float) -> bool:
        """Whether a meter loads every node that does not float as if there were no diodes."""
        solution = state.solution
        ohms = [0.0 if floats else each for each, floats in zip(solution.ohms, solution.floating, strict=True)]
        pulls = [abs(volts) * each / (meter_ohms + each) for volts, each in zip(solution.volts, ohms, strict=True)]
        return self._stray(state, max(pulls)) * max(ohms) < _STRAY_VOLTS

    def _stray(self, state: State, pull: float) -> float:
        """By how many A the diodes may stray from their tangents where a meter pulls a node by so many V."""
        diodes = (branch.diode for branch in (state.branches[place] for place in self._diodes) if branch.diode)
        return fsum(diode.stray(volts, pull) for diode, volts in zip(diodes, state.solution.junctions, strict=True))

    def _reading(self, state: State, node: int, meter_ohms: float, *, even: bool = False) -> float | None:
        """What a meter shows at a node to the reference; `even`: it is known that the diodes make no difference."""
        solution = state.solution
        volts, ohms = solution.volts[node], solution.ohms[node]
        if solution.floating[node]:
            # What a junction leads to may get its path by the very current that the meter takes.
            return self._metered(state, node, meter_ohms) if ohms else None
        shown = volts * meter_ohms / (meter_ohms + ohms)
        if even or self._stray(state, abs(volts - shown)) * ohms < _STRAY_VOLTS:
            return shown
        return self._metered(state, node, meter_ohms)

    def _metered(self, state: State, node: int, meter_ohms: float) -> float | None:
        metered = list(state.branches)
        place = len(self.circuit.parts) + node - 1
        metered[place] = Branch(node, 0, metered[place].siemens + 1 / meter_ohms)
        found = self._topology.solve(metered, state.solution.junctions)
        return found.volts[node] if node in self._topology.joined(state.branches, found.junctions) else None

    def _between(self, state: State, one: int, other: int, meter_ohms: float) -> float | None:
        branches, topology, node = self._seen_from(state, other, one)
        metered = [*branches[:-1], replace(branches[-1], siemens=1 / meter_ohms)]
        found = topology.solve(metered, state.solution.junctions)
        return found.volts[node] if node in topology.joined(branches, found.junctions) else None

    def _working(
        self, branches: Sequence[Branch], volts: Sequence[float], values: Values, before: frozenset[str]
    ) -> frozenset[str]:
        """The coils that work, given those that did: what holds is let go later than it is pulled."""
        working = set()
        for place, part in self._coils:
            branch = branches[place]
            if part.pull is not None and branch.siemens > 0:
                # A high resistance in the coil's own terminals takes its share of what lies across both.
                share = min(1.0, branch.siemens * values.ohms[place])
                across = share * abs(volts[branch.tail] - volts[branch.head])
                if across >= (part.pull.releases if part.id in before else part.pull.operates):
                    working.add(part.id)
        return frozenset(working)

    def _conducting(self, situation: Situation) -> list[bool]:
        """By part, whether it conducts while no relay has moved."""
        if situation.name not in self._at_rest:
            self._at_rest[situation.name] = [_conducts(part, situation, frozenset()) for part in self.circuit.parts]
        return self._at_rest[situation.name]

    def _closed(self, values: Values) -> list[Branch]:
        """Every part, sound, while it conducts."""
        return [
            Branch(*edge, 1 / max(ohms, LEAST_OHMS) if part.diode is None else 0.0, volts, part.diode)
            for part, edge, ohms, volts in zip(self.circuit.parts, self._edges, values.ohms, values.volts, strict=True)
        ]

    def _by_place(self, faults: Faults) -> dict[int, list[Fault]]:
        """The faults of each part that has any, by its place."""
        found: dict[int, list[Fault]] = {}
        for fault in faults:
            if fault.at in self._place and fault.kin not in (Kin.EARTH, Kin.REFERENCE):
                found.setdefault(self._place[fault.at], []).append(fault)
        return found

    @cached_property
    def _place(self) -> dict[str, int]:
        return {part.id: place for place, part in enumerate(self.circuit.parts)}

    def _resting(
        self, closed: Sequence[Branch], by_place: Mapping[int, Sequence[Fault]], situation: Situation
    ) -> list[Branch]:
        """The parts while no relay has moved, and a place for a meter at each node."""
        conducting = self._conducting(situation)
        branches = [
            one if conducts else none for one, none, conducts in zip(closed, self._open, conducting, strict=False)
        ]
        for place, faults in by_place.items():
            branches[place] = _faulty(closed[place], faults, conducts=conducting[place])
        return branches + self._open[len(closed) :]


def _conducts(part: Part, situation: Situation, working: frozenset[str]) -> bool:
    moved = part.id in situation.operated or (part.coil is not None and part.coil in working)
    return part.conducts is not moved and part.id not in situation.apart


def _faulty(closed: Branch, faults: Sequence[Fault], *, conducts: bool) -> Branch:
    """What faults make of a part; `closed` is what it is while it conducts and nothing is wrong with it."""
    volts, diode = closed.volts, closed.diode
    ohms = 1 / closed.siemens if closed.siemens else LEAST_OHMS
    for fault in faults:
        if fault.kin is Kin.BRIDGED:
            conducts, ohms, diode = True, BRIDGE_OHMS if diode else min(ohms, BRIDGE_OHMS), None
    for fault in faults:
        if fault.kin is Kin.HIGH:
            ohms += HIGH_OHMS if fault.size is None else fault.size
        elif fault.kin is Kin.SOURCE:
            conducts, volts = fault.size is not None and conducts, fault.size or 0.0
        elif fault.kin is Kin.OPEN:
            conducts = False
    siemens = 1 / ohms if conducts and diode is None else 0.0
    return Branch(closed.tail, closed.head, siemens, volts, diode if conducts else None)


def working_loads(bench: Bench, state: State) -> Mapping[str, bool]:
    """Whether each coil, lamp and motor works: a coil by its own limits, the others from 80 % of the highest source."""
    circuit = bench.circuit
    highest = max((part.volts.nominal for part in circuit.parts if part.volts), default=0.0)
    works = {}
    for part in circuit.parts:
        if part.pull is not None:
            works[part.id] = part.id in state.working
        elif part.kind in (Kind.LAMP, Kind.MOTOR):
            index = circuit.parts.index(part)
            branch = state.branches[index]
            across = abs(state.solution.volts[branch.tail] - state.solution.volts[branch.head])
            works[part.id] = branch.siemens > 0 and across >= 0.8 * highest
    return works
