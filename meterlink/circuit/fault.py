"""One fault by name, what it does to a part, and which faults a circuit can have."""

import difflib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from enum import StrEnum
from itertools import pairwise
from math import fsum

from meterlink.circuit.parts import Circuit, Kind, Part
from meterlink.limits import parse_quantity

SHORT_OHMS = 0.001
"""A short to earth: metal on metal."""

BRIDGE_OHMS = 0.01
"""A bridge across a contact: a wire with two clips (common practice, no source)."""

HIGH_OHMS = 100.0
"""A high resistance of which nothing more is said: it still leaves 20.8 V on a 650 Ohm relay (common practice)."""

LEAKS = (1.0, 10.0, 100.0, 1e3, 1e4, 1e5, 1e6)
"""Decades into which a high resistance is divided while it is looked for; beyond the last it is as good as open."""

WEAK = (0.35, 0.6, 0.85)
"""Shares of a source's voltage between whose neighbours a weak source may lie."""

_JOIN = " + "


class Kin(StrEnum):
    """The kinds of fault."""

    NONE = "none"
    OPEN = "open"
    HIGH = "high"
    BRIDGED = "bridged"
    EARTH = "earth"
    SOURCE = "source"
    REFERENCE = "reference"


@dataclass(frozen=True, slots=True, order=True)
class Fault:
    """One thing that is wrong."""

    kin: Kin
    at: str = ""
    """The part, or for a short to earth and a lost reference the node; empty for none."""
    size: float | None = None
    """Ohm that a high resistance adds, or V that a weak source still has; None: 100 Ohm, and no source at all."""

    @property
    def name(self) -> str:
        """As commands and JSON write it; the size is left out."""
        return f"{self.kin}:{self.at}" if self.at else str(self.kin)


NONE = Fault(Kin.NONE)

Faults = tuple[Fault, ...]
"""What is wrong at the same time, in the order of the names."""


def name_of(faults: Faults) -> str:
    """The name of faults that are there together."""
    return _JOIN.join(sorted(dict.fromkeys(fault.name for fault in faults))) or str(Kin.NONE)


def parse_faults(circuit: Circuit, text: str) -> Faults:
    """Read a fault as commands write it, such as `open:B2`, `high:X3@47 Ohm` or `open:F1 + open:B2`.

    Raises:
        ValueError: says what was found and what was expected.
    """
    faults = tuple(_parse(circuit, each.strip()) for each in text.split(_JOIN))
    return tuple(sorted(fault for fault in faults if fault.kin is not Kin.NONE))


def _parse(circuit: Circuit, text: str) -> Fault:
    name, _, size = text.partition("@")
    kin, _, at = name.partition(":")
    if name == Kin.NONE:
        return NONE
    if kin not in list(Kin) or not at:
        raise ValueError(
            f"fault {text!r}: expected open:ID, high:ID, bridged:ID, earth:POINT, source:ID, reference:POINT or none"
        )
    fault = Fault(Kin(kin), at.strip(), _size(Kin(kin), size, text))
    why = _unfit(circuit, fault)
    if why:
        raise ValueError(f"fault {text!r}: {why}")
    return fault


def _size(kin: Kin, size: str, text: str) -> float | None:
    if not size:
        return None
    unit = {Kin.HIGH: "Ohm", Kin.SOURCE: "V"}.get(kin)
    found = parse_quantity(size)
    if found.unit != unit or found.value < 0:
        raise ValueError(f"fault {text!r}: expected no size, or one such as high:B1@47 Ohm or source:G1@18 V")
    return float(found.value)


def _unfit(circuit: Circuit, fault: Fault) -> str | None:
    if fault.kin is Kin.REFERENCE:
        return None if fault.at == circuit.reference else f"the reference is {circuit.reference!r}"
    if fault.kin is Kin.EARTH:
        if fault.at == circuit.reference:
            return "the reference itself cannot be shorted to earth"
        return None if fault.at in circuit.number else f"no point {fault.at!r}{_near(fault.at, circuit.nodes)}"
    part = circuit.by_id.get(fault.at)
    if part is None:
        return f"no element {fault.at!r}{_near(fault.at, circuit.by_id)}"
    if fault.kin is Kin.SOURCE and not part.kind.supplies:
        return f"{part.id} is a {part.kind}, not a source"
    if fault.kin is Kin.HIGH and (part.diode is not None):
        return "a diode has no resistance that could rise"
    if fault.kin is Kin.BRIDGED and part.kind.supplies:
        return f"{part.id} is a source; a short across it is earth:POINT"
    return None


def _near(text: str, known: Iterable[str]) -> str:
    near = difflib.get_close_matches(text, list(known), n=1)
    return f"; did you mean {near[0]!r}?" if near else f"; known are {', '.join(known)}"


_RATES = {
    Kind.CONTACT: 5.0,
    Kind.CONNECTOR: 3.0,
    Kind.CABLE: 3.0,
    Kind.FUSE: 4.0,
    Kind.BREAKER: 3.0,
    Kind.CONDUCTOR: 0.5,
    Kind.COIL: 0.5,
    Kind.LAMP: 1.0,
    Kind.MOTOR: 0.5,
    Kind.RESISTOR: 0.2,
    Kind.DIODE: 0.3,
    Kind.JUMPER: 0.5,
    Kind.BATTERY: 3.0,
    Kind.SOURCE: 1.0,
    Kind.CHARGER: 1.5,
}
"""How readily each kind of part fails, in relation to the others (common practice, no source): doors, limits, plugs and
moving cable first, fixed wiring last. A circuit's `priors` multiply them."""

_KIN_RATES = {Kin.OPEN: 1.0, Kin.HIGH: 0.3, Kin.BRIDGED: 0.15, Kin.EARTH: 0.05, Kin.SOURCE: 1.0, Kin.REFERENCE: 0.5}
"""And each kind of fault (common practice, no source)."""

_NONE_SHARE = 0.02
"""The chance that nothing is wrong where somebody was called (common practice, no source)."""

PAIR_SHARE = 0.03
"""The chance that a second open is there beside the first (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Suspect:
    """Something that may be wrong, and how readily, before anything was measured."""

    faults: Faults
    weight: float

    @property
    def name(self) -> str:
        """As JSON writes it."""
        return name_of(self.faults)


def single_faults(circuit: Circuit) -> list[Suspect]:
    """Every single fault that the circuit can have, of one typical size each; the weights add up to 1 with `none`."""
    return _normed([(faults, weight) for faults, weight in _singles(circuit) if _typical(faults[0])], circuit)


def suspects(circuit: Circuit) -> list[Suspect]:
    """What is looked for: no fault, every single fault in all its sizes, and pairs of opens."""
    singles = list(_singles(circuit))
    opens = [(fault, weight) for (fault,), weight in singles if fault.kin is Kin.OPEN]
    total = fsum(weight for _, weight in opens) or 1.0  # `sum` rounds otherwise from Python 3.12 on; records replay
    pairs = [
        ((one, other), PAIR_SHARE * 2 * weight * other_weight / total)
        for index, (one, weight) in enumerate(opens)
        for other, other_weight in opens[index + 1 :]
    ]
    return _normed([*singles, *((tuple(sorted(pair)), weight) for pair, weight in pairs)], circuit)


def _normed(weighed: list[tuple[Faults, float]], circuit: Circuit) -> list[Suspect]:
    total = 0.0
    for _, weight in weighed:
        total += weight
    share = min(0.9, _NONE_SHARE * circuit.priors.get("none", 1.0))
    return [
        Suspect((), share),
        *(Suspect(faults, (1 - share) * weight / total) for faults, weight in weighed if weight > 0),
    ]


def _typical(fault: Fault) -> bool:
    """Whether a size stands for its kind: the middle of those that are looked for, or none."""
    return fault.size is None or (fault.kin is Kin.HIGH and fault.size == _middle(LEAKS))


def _middle(sizes: tuple[float, ...]) -> float:
    """The geometric middle of the third decade."""
    return float((sizes[2] * sizes[3]) ** 0.5)


def _singles(circuit: Circuit) -> Iterator[tuple[Faults, float]]:
    for part in circuit.parts:
        rate = _RATES[part.kind] * circuit.priors.get(part.kind, 1.0) * part.weight
        for fault, share in _of_part(part):
            weight = rate * share * _KIN_RATES[fault.kin] * circuit.priors.get(fault.kin, 1.0)
            yield (fault,), weight
    weight = _KIN_RATES[Kin.EARTH] * circuit.priors.get(Kin.EARTH, 1.0)
    for node in circuit.nodes[1:]:
        yield (Fault(Kin.EARTH, node),), weight
    yield (Fault(Kin.REFERENCE, circuit.reference),), _KIN_RATES[Kin.REFERENCE] * circuit.priors.get(Kin.REFERENCE, 1.0)


def _of_part(part: Part) -> Iterator[tuple[Fault, float]]:
    """The faults of one part, each with its share."""
    if part.kind.supplies:
        volts = part.volts.nominal if part.volts else 0.0
        if part.kind is Kind.CHARGER:
            yield Fault(Kin.SOURCE, part.id), 1.0  # a charger that gives less is one that gives nothing: it takes none
            return
        yield Fault(Kin.SOURCE, part.id), 0.5
        for low, high in pairwise(WEAK):
            yield Fault(Kin.SOURCE, part.id, volts * (low + high) / 2), 0.5 / (len(WEAK) - 1)
        return
    temporary = part.kind is Kind.JUMPER and not part.conducts
    if not temporary:
        yield Fault(Kin.OPEN, part.id), 1.0
    if part.kind.carries and not temporary:
        for low, high in pairwise(LEAKS):
            yield Fault(Kin.HIGH, part.id, float((low * high) ** 0.5)), 1.0 / (len(LEAKS) - 1)
    if part.kind is Kind.CONTACT:
        # What is opened positively cannot weld shut unnoticed; what remains is a bridge across it.
        yield Fault(Kin.BRIDGED, part.id), 0.3 if part.positive else 1.0
    elif temporary or part.kind is Kind.DIODE:
        yield Fault(Kin.BRIDGED, part.id), 1.0


def leak_span(ohms: float) -> tuple[float, float]:
    """The decade in which a high resistance lies that stands for it."""
    for low, high in pairwise(LEAKS):
        if low <= ohms <= high:
            return low, high
    return ohms, ohms


def weak_span(share: float) -> tuple[float, float]:
    """The shares of a source's voltage between which a weak one lies that stands for them."""
    for low, high in pairwise(WEAK):
        if low <= share <= high:
            return low, high
    return share, share
