"""A circuit ready to be solved: its parts with their spans of sound values, its nodes, situations and symptoms."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from enum import StrEnum

from meterlink.circuit.materials import (
    Span,
    at_temperature,
    awg_mm2,
    awg_per_km,
    bank_volts,
    fuse_ohms,
    least_per_km,
    metric_per_km,
)
from meterlink.circuit.model import (
    Battery,
    Cable,
    Charger,
    CircuitFile,
    Coil,
    Conductor,
    Contact,
    DiodeElement,
    Element,
    Fuse,
    Jumper,
    Lamp,
    Motor,
    Resistor,
    Section,
    Source,
)
from meterlink.circuit.network import Diode

REST = "rest"
"""The situation in which nothing is operated and nothing apart, where a circuit does not say otherwise."""

LEAST_OHMS = 1e-6
"""What a resistance of 0 is taken for."""

_TOLERANCES = {"coil": 0.10, "lamp": 0.20, "motor": 0.20, "resistor": 0.05}
"""Of a resistance written without one (coils: relay data sheets at 20 °C; the others: common practice, no source)."""

_LOOSE = (0.2, 2.0)
"""Shares of a stated resistance between which a sound contact, joint or internal resistance lies (common practice, no
source): what is stated is what it may have, and a good one has less."""


class Kind(StrEnum):
    """The kinds of part, as the circuit file names them."""

    BATTERY = "battery"
    SOURCE = "source"
    CHARGER = "charger"
    CONDUCTOR = "conductor"
    CABLE = "cable"
    FUSE = "fuse"
    BREAKER = "breaker"
    CONTACT = "contact"
    CONNECTOR = "connector"
    RESISTOR = "resistor"
    COIL = "coil"
    LAMP = "lamp"
    MOTOR = "motor"
    DIODE = "diode"
    JUMPER = "jumper"

    @property
    def supplies(self) -> bool:
        """Whether it is a source."""
        return self in (Kind.BATTERY, Kind.SOURCE, Kind.CHARGER)

    @property
    def is_load(self) -> bool:
        """Whether it takes current and gives nothing on."""
        return self in (Kind.COIL, Kind.LAMP, Kind.MOTOR, Kind.RESISTOR)

    @property
    def carries(self) -> bool:
        """Whether it is there to carry current on, with next to no resistance."""
        return not (self.supplies or self.is_load or self is Kind.DIODE)


@dataclass(frozen=True, slots=True)
class Pull:
    """When a coil works and lets go, in V across it."""

    operates: float
    releases: float


@dataclass(frozen=True, slots=True)
class Part:
    """One element."""

    id: str
    kind: Kind
    tail: str
    """The node `from`: a source's negative pole, a diode's anode."""
    head: str
    ohms: Span
    """Of a sound one while it conducts; a diode has none."""
    volts: Span | None = None
    """Of a source."""
    diode: Diode | None = None
    conducts: bool = True
    """Whether it conducts at rest."""
    coil: str | None = None
    """The coil that works the contact."""
    positive: bool = False
    """Whether a contact is opened positively."""
    worn: Span | None = None
    """What a contact has worn or dirty, in Ohm."""
    pull: Pull | None = None
    weight: float = 1.0
    """How readily it fails, as a multiple of what is usual for its kind."""
    where: str | None = None
    minutes: float | None = None
    """What it takes to reach both its ends; None: what its nodes take."""

    @property
    def nodes(self) -> tuple[str, str]:
        """Both ends."""
        return self.tail, self.head


@dataclass(frozen=True, slots=True)
class Point:
    """What it takes to reach a node with the probe."""

    minutes: float
    reach: str | None = None
    probe: bool = True


@dataclass(frozen=True, slots=True)
class Situation:
    """A state in which the circuit is measured."""

    name: str
    title: str | None = None
    operated: frozenset[str] = frozenset()
    apart: frozenset[str] = frozenset()
    minutes: float = 0.0


@dataclass(frozen=True, slots=True)
class Showing:
    """One thing that is seen of the lift."""

    situation: str
    coil: str
    works: bool


@dataclass(frozen=True, slots=True)
class Symptom:
    """What the lift does wrong."""

    name: str
    title: str | None
    shows: tuple[Showing, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Circuit:
    """One circuit."""

    name: str
    title: str
    revision: str
    reference: str
    parts: tuple[Part, ...]
    nodes: tuple[str, ...]
    """The reference first, then in the order of the file."""
    points: Mapping[str, Point]
    """By node, for all nodes."""
    situations: Mapping[str, Situation]
    symptoms: Mapping[str, Symptom]
    priors: Mapping[str, float]
    cautions: tuple[str, ...] = ()
    by_id: Mapping[str, Part] = field(default_factory=dict)
    number: Mapping[str, int] = field(default_factory=dict)
    """Each node's place in `nodes`."""

    def near(self, node: str) -> tuple[Part, ...]:
        """The parts that end at a node."""
        return tuple(part for part in self.parts if node in part.nodes)


def compiled(file: CircuitFile) -> Circuit:
    """Make a circuit of a sound file."""
    parts = tuple(map(_part, file.elements))
    nodes = tuple(dict.fromkeys((file.reference, *(node for part in parts for node in part.nodes))))
    stated = {point.at: point for point in file.points}
    points = {
        node: Point(
            file.minutes if node not in stated or stated[node].minutes is None else stated[node].minutes or 0.0,
            stated[node].reach if node in stated else None,
            stated[node].probe if node in stated else True,
        )
        for node in nodes
    }
    situations = {REST: Situation(REST)} | {
        each.name: Situation(each.name, each.title, frozenset(each.operated), frozenset(each.apart), each.minutes)
        for each in file.situations
    }
    symptoms = {
        each.name: Symptom(
            each.name, each.title, tuple(Showing(show.in_, show.coil, show.works) for show in each.shows)
        )
        for each in file.symptoms
    }
    return Circuit(
        name=file.circuit,
        title=file.title,
        revision=file.revision,
        reference=file.reference,
        parts=parts,
        nodes=nodes,
        points=points,
        situations=situations,
        symptoms=symptoms,
        priors=dict(file.priors),
        cautions=file.cautions,
        by_id={part.id: part for part in parts},
        number={node: index for index, node in enumerate(nodes)},
    )


def _part(element: Element) -> Part:
    part = Part(
        id=element.id,
        kind=Kind(element.kind),
        tail=element.from_,
        head=element.to,
        ohms=Span(LEAST_OHMS, LEAST_OHMS, LEAST_OHMS),
        weight=1.0 if element.prior is None else element.prior,
        where=element.where,
        minutes=element.minutes,
    )
    match element:
        case Battery():
            volts = element.volts or bank_volts(element.cells, element.state, element.temperature)
            return replace(part, ohms=_loosely(element.resistance), volts=volts)
        case Source() | Charger():
            return replace(part, ohms=_loosely(element.resistance), volts=element.volts)
        case Conductor() | Cable():
            return replace(part, ohms=_at_least(_copper(element)))
        case Fuse():
            return replace(part, ohms=_at_least(_fuse(element)))
        case Contact():
            return replace(
                part,
                ohms=_loosely(element.resistance),
                conducts=element.normally == "closed",
                coil=element.coil,
                positive=element.positive,
                worn=element.worn,
            )
        case Coil():
            rated = element.rated.nominal
            operates = element.operates.nominal if element.operates else 0.8 * rated
            releases = element.releases.nominal if element.releases else 0.15 * rated
            return replace(part, ohms=_toleranced(element), pull=Pull(operates, releases))
        case Lamp() | Motor() | Resistor():
            return replace(part, ohms=_toleranced(element))
        case DiodeElement():
            junction = Diode(element.saturation, element.emission)
            return replace(part, diode=junction)
        case Jumper():
            return replace(part, ohms=_loosely(element.resistance), conducts=element.use == "factory")
        case _:
            return replace(part, ohms=_loosely(element.resistance))


def _single(span: Span) -> bool:
    return span.low == span.high


def _at_least(span: Span) -> Span:
    return Span(*(max(each, LEAST_OHMS) for each in (span.low, span.nominal, span.high)))


def _loosely(span: Span) -> Span:
    """A joint's or source's resistance: one stated without ends may well be less, or somewhat more."""
    if _single(span):
        span = Span(span.low * _LOOSE[0], span.nominal, span.high * _LOOSE[1])
    return _at_least(span)


def _toleranced(element: Coil | Lamp | Motor | Resistor) -> Span:
    span = element.resistance
    return _at_least(span.within(_TOLERANCES[element.kind]) if _single(span) else span)


def _fuse(element: Fuse) -> Span:
    if element.resistance is not None:
        return _loosely(element.resistance)
    return fuse_ohms(element.rating or 0.0)


def _copper(element: Conductor | Cable) -> Span:
    if element.resistance is not None:
        return _loosely(element.resistance)
    km = (element.length or 0.0) / 1000
    section = element.section or Section()
    if section.awg is not None:
        most = awg_per_km(section.awg, stranded=element.strand != "solid")
        least = least_per_km(awg_mm2(section.awg))
    else:
        mm2 = section.mm2 or 0.0
        most, least = metric_per_km(mm2, element.strand or "5"), least_per_km(mm2)
    warmth = (5.0, 20.0, 40.0) if element.temperature is None else (element.temperature,) * 3
    return Span(
        km * at_temperature(least, warmth[0]),
        km * at_temperature(most, warmth[1]),
        km * at_temperature(most, warmth[2]),
    )
