"""Nodal analysis of a resistive network with sources and diodes.

Nodes are eliminated one by one, each replaced by branches among its neighbours (the star-mesh transformation); sources
go with the branches. Every conductance is then a sum of products and quotients of positive numbers, never a difference:
milliohms beside megohms cost no digits, what flows into a part of the network and what flows out of it are the same
number, and a node without any path to the reference shows it by a sum that is exactly 0. The same numbers come out on
every machine, since only + - * / are used (and `exp` and `log` where there is a diode).

What may move between one solution and the next, contacts and diodes, is left for the end: the rest is eliminated once.
"""

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from math import exp, log, sqrt

THERMAL_VOLTS = 0.025864852
"""kT/q at 27 °C (CODATA 2018: k = 1.380649e-23 J/K, q = 1.602176634e-19 C), for the diode's equation."""

LEAK_SIEMENS = 1e-15
"""Beside every junction, so that Newton's method always has a slope to follow."""

_MOST_ROUNDS = 200
_CLOSE_ENOUGH = 1e-10
_CLOSE_ENOUGH_AMPERES = 1e-16
_BLOCKING_VOLTS = -1.0
"""Where the search for the currents of junctions begins; for those that block it ends there too."""

_FAR_OHMS = 1e8
"""A node that is no farther from the reference has a path, since a junction that does not conduct has more by far."""

_CONDUCTS_SIEMENS = 1e-10
"""A junction whose current over its voltage is less counts as no path: over 10 GOhm, a thousand times a meter's."""

Edge = tuple[int, int]
"""Two nodes by number; 0 is the reference."""


@dataclass(frozen=True, slots=True)
class Diode:
    """A junction by Shockley's equation, i = Is (exp(v / n VT) - 1)."""

    saturation: float = 1e-14
    """Is, in A."""
    emission: float = 1.0
    """n."""

    @property
    def slope_volts(self) -> float:
        """n VT."""
        return self.emission * THERMAL_VOLTS

    @property
    def critical_volts(self) -> float:
        """Where the curve bends most: Newton's steps are tamed above it."""
        return self.slope_volts * log(self.slope_volts / (sqrt(2) * self.saturation))

    def companion(self, volts: float) -> tuple[float, float]:
        """The tangent at a voltage: its conductance in S, and the current in A that it would carry at 0 V."""
        rise = self.saturation * exp(volts / self.slope_volts)
        siemens = rise / self.slope_volts + LEAK_SIEMENS
        amperes = rise - self.saturation + LEAK_SIEMENS * volts
        return siemens, amperes - siemens * volts

    def conducts(self, volts: float) -> bool:
        """Whether it counts as a path at a voltage."""
        steps = volts / self.slope_volts
        # Below a millionth of n VT the difference of the exponential and 1 has few digits left; its slope is the same.
        siemens = (
            self.saturation * (exp(steps) - 1) / volts if abs(steps) > 1e-6 else self.saturation / self.slope_volts
        )
        return siemens >= _CONDUCTS_SIEMENS

    def stray(self, volts: float, shift: float) -> float:
        """By how many A the tangent at a voltage may be wrong up to so many V beside it."""
        steps = shift / self.slope_volts
        if steps > 1:
            return float("inf") if volts + shift > 0 else self.saturation
        return self.saturation * exp(volts / self.slope_volts) * (exp(steps) - 1 - steps)

    def fits(self, volts: float, siemens: float, amperes: float) -> bool:
        """Whether a tangent gives the current of the curve at a voltage to which it led."""
        current = self.saturation * (exp(volts / self.slope_volts) - 1) + LEAK_SIEMENS * volts
        return abs(current - siemens * volts - amperes) <= _CLOSE_ENOUGH * abs(current) + _CLOSE_ENOUGH_AMPERES

    def tamed(self, wanted: float, before: float) -> float:
        """A step that cannot run away up the exponential: above the bend, the current is followed instead."""
        if wanted <= 0 or abs(wanted - before) <= 2 * self.slope_volts or wanted <= self.critical_volts:
            return wanted
        if before > 0:
            steps = (wanted - before) / self.slope_volts
            return before + self.slope_volts * log(1 + steps) if steps > -1 else self.critical_volts
        return self.slope_volts * log(max(wanted / self.slope_volts, 1e-9))


@dataclass(frozen=True, slots=True)
class Branch:
    """What lies between two nodes: a resistance, perhaps with a source in series, or a diode."""

    tail: int
    head: int
    siemens: float = 0.0
    """0: open."""
    volts: float = 0.0
    """The source's, from tail to head: the head is the positive pole."""
    diode: Diode | None = None
    """Anode at the tail."""


@dataclass(frozen=True, slots=True)
class Solution:
    """What every node came to."""

    volts: tuple[float, ...]
    """By node, to the reference; where the node floats, to one of the nodes that float with it."""
    floating: tuple[bool, ...]
    """By node: no path to the reference but through a junction's leakage."""
    ohms: tuple[float, ...]
    """By node: the resistance of the network seen between it and the reference (Thevenin's); 0 where nothing at all
    joins them."""
    junctions: tuple[float, ...] = ()
    """Volts across each diode, in the order of the branches."""


@dataclass(frozen=True, slots=True)
class _Step:
    """The elimination of one node. A slot is the place of a pair of nodes: of the reference and node n it is n."""

    node: int
    spokes: list[tuple[int, int, int]]
    """For each neighbour left but the reference: the slot, the neighbour, and 1 where the slot leads to the node, as
    slots lead to the node with the higher number, or else -1."""
    rim: list[tuple[int, int, int, int, int]]
    """Two spokes' slots, each with its sign, and the slot between their far ends."""
    mutual: list[tuple[int, list[tuple[int, int]]]]
    """For each spoke's slot: every spoke's slot, and where the mutual resistance of the two far ends is found: the slot
    between them or, where both are one, its node."""


class Topology:
    """Which nodes are joined, and the order in which they are eliminated. Made once, used for every state."""

    def __init__(
        self, nodes: int, edges: Sequence[Edge], moving: Collection[int] | None = None, watched: Collection[int] = ()
    ) -> None:
        """Plan the elimination: the node with the fewest neighbours first, the ends of what moves last.

        Args:
            nodes: how many, the reference included, which is node 0.
            edges: every pair that may ever be joined, in the order of the branches to come.
            moving: the places of the branches that may differ between two solutions of one `Reduced`; all unless told.
            watched: nodes whose voltages `Reduced.settled` shall give, besides the ends of what moves.
        """
        self.nodes = nodes
        self.moving = sorted(range(len(edges)) if moving is None else moving)
        self.fixed = sorted(set(range(len(edges))) - set(self.moving))
        self._slots: dict[Edge, int] = {(0, node): node for node in range(nodes)}
        near: list[set[int]] = [set() for _ in range(nodes)]
        for tail, head in edges:
            near[tail].add(head)
            near[head].add(tail)
        self.places = [(self._slot(tail, head), 1 if tail < head else -1) for tail, head in edges]
        last = {node for place in self.moving for node in edges[place]} | set(watched)
        steps = self._steps([{*around} - {0} for around in near], last)
        self.early = [step for step in steps if step.node not in last]
        self.late = [step for step in steps if step.node in last]
        self.slots = len(self._slots)

    def _slot(self, one: int, other: int) -> int:
        return self._slots.setdefault((min(one, other), max(one, other)), len(self._slots))

    def _steps(self, near: list[set[int]], last: Collection[int]) -> list[_Step]:
        left = set(range(1, self.nodes))
        steps = []
        while left:
            node = min(left, key=lambda each: (each in last, len(near[each]), each))
            left.remove(node)
            around = sorted(near[node] - {node})
            for each in around:
                near[each].discard(node)
                near[each].update(other for other in around if other != each)
            steps.append(self._step(node, around))
        return steps

    def _step(self, node: int, around: list[int]) -> _Step:
        spokes = [(self._slot(node, each), each, 1 if each < node else -1) for each in around]
        rim = [
            (slot, sign, other_slot, other_sign, self._slot(each, other))
            for index, (slot, each, sign) in enumerate(spokes)
            for other_slot, other, other_sign in spokes[index + 1 :]
        ]
        mutual = [
            (
                slot,
                [(other_slot, each if each == other else self._slot(each, other)) for other_slot, other, _ in spokes],
            )
            for slot, each, _ in spokes
        ]
        return _Step(node, spokes, rim, mutual)

    def solve(self, branches: Sequence[Branch], junctions: Sequence[float] = ()) -> Solution:
        """Solve the network.

        Args:
            branches: in the order of the edges.
            junctions: about how many V will be across each diode; they only save time.

        Raises:
            ArithmeticError: the diodes' equations do not settle.
        """
        return Reduced(self, branches).settled(branches, junctions).solution()

    def joined(self, branches: Sequence[Branch], junctions: Sequence[float], start: int = 0) -> set[int]:
        """Which nodes have a path to one of them; a diode is one where it conducts.

        Args:
            branches: the network's.
            junctions: volts across each diode, in the order of the branches.
            start: the node.
        """
        near: list[list[int]] = [[] for _ in range(self.nodes)]
        across = iter(junctions)
        for branch in branches:
            if branch.diode is not None and not branch.diode.conducts(next(across)):
                continue
            if branch.siemens > 0 or branch.diode is not None:
                near[branch.tail].append(branch.head)
                near[branch.head].append(branch.tail)
        reached, frontier = {start}, [start]
        while frontier:
            new = set(near[frontier.pop()]) - reached
            reached |= new
            frontier += sorted(new)
        return reached


class Reduced:
    """A network of which all nodes are eliminated but the ends of what moves."""

    def __init__(self, topology: Topology, branches: Sequence[Branch]) -> None:
        """Eliminate them; of what may move only the diodes are taken from here, and stay."""
        self.topology = topology
        self._joined, self._driven = [0.0] * topology.slots, [0.0] * topology.slots
        self._sums = [0.0] * topology.nodes
        self._join(topology.fixed, branches, self._joined, self._driven)
        _eliminate(topology.early, self._joined, self._driven, self._sums)
        self._diodes = [
            (*topology.places[place], branches[place].tail, branches[place].head, diode)
            for place in topology.moving
            if (diode := branches[place].diode) is not None
        ]

    def _join(
        self, places: Iterable[int], branches: Sequence[Branch], joined: list[float], driven: list[float]
    ) -> None:
        for place in places:
            branch = branches[place]
            siemens = branch.siemens
            if siemens:
                slot, sign = self.topology.places[place]
                joined[slot] += siemens
                if branch.volts:
                    driven[slot] += sign * siemens * branch.volts

    def settled(self, branches: Sequence[Branch], junctions: Sequence[float] = ()) -> "Settled":
        """Let the currents of the diodes settle; see `Topology.solve`.

        Raises:
            ArithmeticError: they do not.
        """
        topology = self.topology
        joined, driven = list(self._joined), list(self._driven)
        self._join(topology.moving, branches, joined, driven)
        diodes = self._diodes
        guesses = list(junctions) or [_BLOCKING_VOLTS] * len(diodes)
        for _ in range(_MOST_ROUNDS):
            found = Settled(self, branches, list(joined), list(driven), list(self._sums))
            tangents = [each[-1].companion(guess) for each, guess in zip(diodes, guesses, strict=True)]
            for (slot, sign, *_), (siemens, amperes) in zip(diodes, tangents, strict=True):
                found.joined[slot] += siemens
                found.driven[slot] += sign * amperes
            found.eliminate()
            wanted = [found.volts[tail] - found.volts[head] for _, _, tail, head, _ in diodes]
            steps = [each[-1].tamed(*pair) for each, *pair in zip(diodes, wanted, guesses, strict=True)]
            if steps == wanted and all(
                each[-1].fits(volts, *tangent) for each, volts, tangent in zip(diodes, wanted, tangents, strict=True)
            ):
                found.junctions = tuple(wanted)
                return found
            guesses = steps
        raise ArithmeticError("the currents of the diodes do not settle")


class Settled:
    """A network whose diodes have settled; the voltages of what moves, and of the nodes watched, are known."""

    def __init__(
        self,
        reduced: Reduced,
        branches: Sequence[Branch],
        joined: list[float],
        driven: list[float],
        sums: list[float],
    ) -> None:
        """Take what the early steps came to, with the branches that move."""
        self._topology, self._branches = reduced.topology, branches
        self.joined, self.driven, self._sums = joined, driven, sums
        self.volts = [0.0] * len(sums)
        self.junctions: tuple[float, ...] = ()

    def eliminate(self) -> None:
        """Take the late steps, there and back."""
        _eliminate(self._topology.late, self.joined, self.driven, self._sums)
        self._substitute(self._topology.late)

    def _substitute(self, steps: Sequence[_Step]) -> None:
        """Go back through the elimination: each node from its neighbours, all of which are known by then."""
        joined, driven, volts = self.joined, self.driven, self.volts
        for step in reversed(steps):
            total = self._sums[step.node]
            if total:
                level = driven[step.node]
                for slot, far, sign in step.spokes:
                    level += joined[slot] * volts[far] + sign * driven[slot]
                volts[step.node] = level / total

    def solution(self) -> Solution:
        """Work out the rest: all voltages, and the resistance that each node sees."""
        self._substitute(self._topology.early)
        joined, sums = self.joined, self._sums
        ohms = [0.0] * self._topology.slots
        floating = [False] * self._topology.nodes
        for step in (*reversed(self._topology.late), *reversed(self._topology.early)):
            node, total = step.node, sums[step.node]
            if not total:
                floating[node] = True
                continue
            for slot, far, _ in step.spokes:
                if floating[far] and joined[slot]:
                    floating[node] = True
            own = 1.0
            for slot, others in step.mutual:
                shared = 0.0
                for other_slot, between in others:
                    shared += joined[other_slot] * ohms[between]
                shared /= total
                ohms[slot] = shared
                own += joined[slot] * shared
            ohms[node] = own / total
        seen = [0.0 if floats else each for each, floats in zip(ohms, floating, strict=False)]
        if self.junctions and max(seen) > _FAR_OHMS:
            reached = self._topology.joined(self._branches, self.junctions)
            floating = [node not in reached for node in range(self._topology.nodes)]
        return Solution(tuple(self.volts), tuple(floating), tuple(seen), self.junctions)


def _eliminate(steps: Sequence[_Step], joined: list[float], driven: list[float], sums: list[float]) -> None:
    """Replace nodes by branches among their neighbours.

    Args:
        steps: which.
        joined: by slot, the conductance in S; changed.
        driven: by slot, the current in A that its sources drive while both its ends are at the same voltage; changed.
        sums: by node, the conductance that ends there when its turn comes; filled in.
    """
    for step in steps:
        own = joined[step.node]
        total = own
        for slot, _, _ in step.spokes:
            total += joined[slot]
        sums[step.node] = total
        if not total:
            continue
        for one, one_sign, other, other_sign, rim in step.rim:
            siemens, other_siemens = joined[one], joined[other]
            if siemens and other_siemens:
                joined[rim] += siemens * other_siemens / total
                amperes, other_amperes = driven[one], driven[other]
                if amperes or other_amperes:
                    driven[rim] += (other_siemens * one_sign * amperes - siemens * other_sign * other_amperes) / total
        if own:
            amperes = driven[step.node]
            for slot, far, sign in step.spokes:
                siemens = joined[slot]
                if siemens:
                    joined[far] += own * siemens / total
                    driven[far] += (siemens * amperes - own * sign * driven[slot]) / total
