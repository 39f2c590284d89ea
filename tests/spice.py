"""The independent reference for the circuit solver: ngspice, and netlists written for it.

Which elements a state of a circuit consists of is worked out here anew, from what `meterlink/circuit/fault.py` and
`solve.py` say that faults and situations mean; nothing of their code is called. A meter loads a circuit only where it
is, so a deck holds one copy of the network for every reading; the copies have nothing in common but node 0.

What ngspice needs besides, so that its own 64-bit arithmetic does not spoil what it is the reference for:

- A part of a network that nothing joins to node 0 makes its matrix singular; one of its nodes is put there.
- One that only diodes join to it is tied to it by 1 TOhm, which takes away 24 pA. Between such a part and the rest,
  milliohms and TOhm meet; its resistances are written as sources of voltage that their own currents control, since in
  sums of conductances the tie would be lost.
- A diode that is all that joins two parts carries nothing, and is left out.
- Diodes begin off: ngspice keeps the order of elimination that suits its first guess, and a blocking diode that was
  taken for a conducting one costs it five digits.

Of the diode's equation ngspice replaces the exponential below -3 n VT by (3 n VT / (e V))^3, which is wrong by up to
0.4 % of the saturation current; 20 nA of it in a meter of 10 MOhm are 0.8 mV.
"""

import os
import shutil
import struct
import subprocess
import tempfile
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from math import exp
from pathlib import Path

import pytest

from meterlink.circuit.fault import Fault, Faults, Kin
from meterlink.circuit.parts import Circuit, Kind, Part, Situation
from meterlink.circuit.solve import Values

needs_ngspice = pytest.mark.skipif(
    shutil.which("ngspice") is None and not os.environ.get("CI"), reason="ngspice is not installed"
)
"""Skips where there is no ngspice; in CI the tests run all the same, and fail."""

METER_OHMS = 10e6
"""A hand multimeter in DC volts (safety notes of several makers: about 10 MOhm)."""

_TIE_OHMS = 1e12
_EARTH_OHMS = 0.001
_BRIDGE_OHMS = 0.01
_HIGH_OHMS = 100.0
_LEAST_OHMS = 1e-6
_VT = 1.38064852e-23 * 300.15 / 1.6021766208e-19
"""kT/q at 27 °C with ngspice's own constants, to say what current its diodes carry."""

_OPTIONS = ".options reltol=1e-6 abstol=1e-12 vntol=1e-7 gmin=1e-15 pivtol=1e-20 pivrel=0.5 temp=27 tnom=27 itl1=500"

Ends = tuple[str, str]
"""Two nodes."""


@dataclass(frozen=True, slots=True)
class Piece:
    """One element of a netlist: a resistance, perhaps with a source in series, or a diode."""

    tag: str
    """The part's; empty for a short to earth."""
    tail: str
    head: str
    ohms: float = 0.0
    volts: float = 0.0
    """The head is the positive pole."""
    junction: tuple[float, float] | None = None
    """Of a diode, anode at the tail: saturation current in A, emission coefficient."""

    @property
    def ends(self) -> Ends:
        """Both nodes."""
        return self.tail, self.head


def network(
    circuit: Circuit,
    situation: Situation,
    faults: Faults,
    values: Values,
    working: Iterable[str] = (),
    *,
    supplied: bool = True,
) -> "Network":
    """What a circuit consists of.

    Args:
        circuit: the circuit.
        situation: what is operated and what is apart.
        faults: what is wrong.
        values: of the parts, in their order.
        working: the coils that work.
        supplied: whether its sources are there; without them, for ohms, diodes are left out too.
    """
    by_coil = set(working)
    found = []
    for part, ohms, volts in zip(circuit.parts, values.ohms, values.volts, strict=True):
        closed = _closed(part, situation, by_coil)
        piece = _piece(part, ohms, volts, [each for each in faults if _concerns(each, part)], closed=closed)
        if piece is not None and (supplied or not (part.kind.supplies or piece.junction)):
            found.append(piece)
    earthed = [Piece("", each.at, circuit.reference, _EARTH_OHMS) for each in faults if each.kin is Kin.EARTH]
    return Network(found + earthed, circuit.reference, circuit.nodes)


def _concerns(fault: Fault, part: Part) -> bool:
    return fault.at == part.id and fault.kin not in (Kin.EARTH, Kin.REFERENCE)


def _piece(part: Part, ohms: float, volts: float, faults: Sequence[Fault], *, closed: bool) -> Piece | None:
    """The element that a part is, or None where it leaves a gap."""
    kinds = {each.kin: each for each in faults}
    if Kin.OPEN in kinds:
        return None
    if Kin.SOURCE in kinds:
        size = kinds[Kin.SOURCE].size
        if size is None:
            return None
        volts = size
    bridged = Kin.BRIDGED in kinds
    if not bridged and not closed:
        return None
    if part.kind is Kind.DIODE:
        if bridged:
            return Piece(part.id, part.tail, part.head, _BRIDGE_OHMS)
        assert part.diode is not None
        return Piece(part.id, part.tail, part.head, junction=(part.diode.saturation, part.diode.emission))
    if bridged:
        ohms = min(ohms, _BRIDGE_OHMS)
    if Kin.HIGH in kinds:
        size = kinds[Kin.HIGH].size
        ohms += _HIGH_OHMS if size is None else size
    return Piece(part.id, part.tail, part.head, max(ohms, _LEAST_OHMS), volts if part.kind.supplies else 0.0)


def _closed(part: Part, situation: Situation, working: set[str]) -> bool:
    if part.id in situation.apart:
        return False
    moved = part.id in situation.operated or part.coil in working
    return not part.conducts if moved else part.conducts


@dataclass(frozen=True, eq=False)
class Network:
    """What ngspice is asked about."""

    pieces: Sequence[Piece]
    reference: str
    points: Sequence[str]
    """All nodes of the circuit, also those at which nothing ends now."""

    @cached_property
    def ground(self) -> str:
        """The node that is ngspice's node 0: the minus of the first source. A network that only the meter joins to the
        reference would otherwise hang on the meter's 10 MOhm, beside milliohms, and lose digits."""
        return next((piece.tail for piece in self.pieces if piece.volts), self.reference)

    @cached_property
    def nodes(self) -> list[str]:
        """All of them, ngspice's node 0 first."""
        return list(dict.fromkeys((self.ground, *self.points)))

    @cached_property
    def _island(self) -> dict[str, str]:
        """For each node, one of those that resistances join with it; for all of them the same one."""
        firm = [piece.ends for piece in self.pieces if piece.junction is None]
        return {node: island[0] for island in islands(self.nodes, firm) for node in island}

    def joins(self, one: str, other: str) -> bool:
        """Whether resistances alone join two nodes."""
        return self._island[one] == self._island[other]

    @cached_property
    def _bodies(self) -> dict[Ends | None, str]:
        return {}

    def lines(self, number: int, meter: "Meter | None") -> str:
        """The netlist of one copy, with a meter in it or none; the names of its elements and nodes carry its number."""
        lead = meter.ends if meter is not None and not meter.amperes else None
        key = None if lead is None or self.joins(*lead) else lead
        if key not in self._bodies:
            self._bodies[key] = "\n".join(self._body([key] if key else []))
        text = self._bodies[key]
        if meter is not None:
            plus, minus = (self._name(each) for each in meter.ends)
            ends = f"{minus} {plus} {meter.amperes!r}" if meter.amperes else f"{plus} {minus} {METER_OHMS!r}"
            text += f"\n{'I' if meter.amperes else 'R'}@_m {ends}"
        return text.replace("@", str(number))

    def _body(self, lead: list[Ends]) -> Iterator[str]:
        idle = self._idle(lead)
        firm = self._parts(lead)
        held = next({*part} for part in firm if self._island[self.ground] in part)
        for index, piece in enumerate(self.pieces):
            tail, head = (self._name(each) for each in piece.ends)
            if piece.junction is not None:
                if index not in idle:
                    yield f"D@_{index} {tail} {head} {_model(piece.junction)} off"
                continue
            if piece.volts:
                yield f"V@_{index} s@_{index} {tail} {piece.volts!r}"
                tail = f"s@_{index}"
            # Where only diodes lead, a resistance is written as a source of V that its own current controls.
            kind, control = ("R", "") if self._island[piece.tail] in held and not piece.volts else ("H", f"H@_{index} ")
            yield f"{kind}@_{index} {tail} {head} {control}{piece.ohms!r}"
        carry = [piece.ends for index, piece in enumerate(self.pieces) if piece.junction and index not in idle]
        apart = {part[0] for part in self._parts(carry + lead) if held.isdisjoint(part)}
        for part in firm:
            if held.isdisjoint(part):
                ohms = 1.0 if apart & {*part} else _TIE_OHMS
                tied = self._name(part[0])
                yield f"R{tied}_t {tied} 0 {ohms!r}"

    def _name(self, node: str) -> str:
        return "0" if node == self.ground else f"n@_{self.nodes.index(node)}"

    def _parts(self, edges: Iterable[Ends]) -> list[list[str]]:
        """Sort what resistances join into what these join too, each by one of its nodes."""
        return islands(
            dict.fromkeys(self._island.values()), [(self._island[one], self._island[other]) for one, other in edges]
        )

    def _idle(self, lead: list[Ends]) -> set[int]:
        """The diodes each of which is all that joins two parts of the network: no current can flow through them."""
        diodes = {index: piece.ends for index, piece in enumerate(self.pieces) if piece.junction is not None}
        idle = set()
        for index, ends in diodes.items():
            rest = [others for each, others in diodes.items() if each != index] + lead
            both = {self._island[node] for node in ends}
            if not any(both.issubset(part) for part in self._parts(rest)):
                idle.add(index)
        return idle


@dataclass(frozen=True, slots=True)
class Meter:
    """What is held to two nodes."""

    plus: str
    minus: str
    amperes: float = 0.0
    """Driven into the plus lead's node, out of the minus lead's, to find the resistance between them; 0: volts."""

    @property
    def ends(self) -> Ends:
        """Both leads."""
        return self.plus, self.minus


Copy = tuple[Network, Meter | None]
"""A network with one meter in it, or none."""

Deck = Sequence[Copy]
"""Copies of networks that ngspice solves at the same time; they have nothing in common but its node 0."""

Volts = dict[str, float]
"""Of each node of a copy, to its reference."""


def run(decks: Sequence[Deck]) -> list[list[Volts]]:
    """Let one process of ngspice solve these one after another; return the voltages by deck and copy."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        write(folder, decks)
        said = ngspice(folder)
        return read(folder, decks, said)


def write(folder: Path, decks: Sequence[Deck]) -> None:
    """Write all that one process of ngspice needs."""
    script = ["* several decks", ".control", "set filetype=binary", "set appendwrite"]
    for number, deck in enumerate(decks):
        (folder / f"{number}.cir").write_text(netlist(deck, f"deck {number}"), encoding="ascii")
        script += [f"source {number}.cir", "op", "write out.raw", "destroy all", "remcirc"]
    (folder / "all.cir").write_text("\n".join((*script, "quit", ".endc", ".end", "")), encoding="ascii")


def ngspice(folder: Path) -> str:
    """Run ngspice on what was written, without anybody's settings; return what it says."""
    command = ["ngspice", "-n", "-b", "all.cir"]
    made = subprocess.run(command, cwd=folder, capture_output=True, text=True, check=False, errors="replace")
    return made.stdout + made.stderr


def read(folder: Path, decks: Sequence[Deck], said: str) -> list[list[Volts]]:
    """Read what ngspice wrote; an AssertionError quotes the end of what it said where a deck is missing."""
    out = folder / "out.raw"
    plots = list(_plots(out.read_bytes())) if out.exists() else []
    assert [title for title, _ in plots] == [f"deck {number}" for number in range(len(decks))], said[-2000:]
    return [
        [_to_reference(number, network, volts) for number, (network, _) in enumerate(deck)]
        for deck, (_, volts) in zip(decks, plots, strict=True)
    ]


def netlist(deck: Deck, title: str) -> str:
    """The text of a deck."""
    lines = [network.lines(number, meter) for number, (network, meter) in enumerate(deck)]
    junctions = dict.fromkeys(each.junction for network, _ in deck for each in network.pieces if each.junction)
    models = (f".model {_model(each)} d(is={each[0]!r} n={each[1]!r})" for each in junctions)
    return "\n".join((title, _OPTIONS, *models, *lines, ".end", ""))


def _model(junction: tuple[float, float]) -> str:
    """A name of a diode's model, which a number as it is written is not."""
    return "d" + "_".join(f"{each!r}".translate({ord("-"): "m", ord("."): "p"}) for each in junction)


def _plots(raw: bytes) -> Iterator[tuple[str, Volts]]:
    """Read ngspice's binary file of operating points: the title of each, and what its nodes came to."""
    while raw:
        head, _, rest = raw.partition(b"Binary:\n")
        lines = head.decode("ascii").split("\n")
        names = [line.split("\t")[2] for line in lines[lines.index("Variables:") + 1 :] if line]
        values = struct.unpack(f"={len(names)}d", rest[: 8 * len(names)])
        yield lines[0].removeprefix("Title: "), dict(zip(names, values, strict=True))
        raw = rest[8 * len(names) :]


def _to_reference(number: int, network: Network, volts: Volts) -> Volts:
    to_ground = {node: volts[f"v(n{number}_{place})"] if place else 0.0 for place, node in enumerate(network.nodes)}
    return {node: value - to_ground[network.reference] for node, value in to_ground.items()}


def islands(nodes: Iterable[str], edges: Iterable[Ends]) -> list[list[str]]:
    """Sort nodes into those that are joined with each other; also those that only the edges name."""
    group = {node: [node] for node in nodes}
    for one, other in edges:
        ours, theirs = group.setdefault(one, [one]), group.setdefault(other, [other])
        if ours is not theirs:
            ours += theirs
            for node in theirs:
                group[node] = ours
    return list({id(each): each for each in group.values()}.values())


def _joined(edges: Iterable[Ends], one: str, other: str) -> bool:
    return any(one in island and other in island for island in islands((one, other), edges))


def siemens(piece: Piece, volts: Mapping[str, float]) -> float:
    """The conductance of a diode where it works: its current over its voltage."""
    assert piece.junction is not None
    saturation, emission = piece.junction
    across = volts[piece.tail] - volts[piece.head]
    slope = emission * _VT
    if abs(across) < 1e-9:
        return saturation / slope
    return saturation * (exp(min(across / slope, 200.0)) - 1) / across


def has_path(network: Network, meter: Meter, volts: Volts, least: float) -> bool:
    """Whether something besides the meter joins its leads, by way of diodes of at least so many S each."""
    if network.joins(*meter.ends):
        return True
    edges = [each.ends for each in network.pieces if each.junction is None or siemens(each, volts) >= least]
    return _joined(edges, *meter.ends)
