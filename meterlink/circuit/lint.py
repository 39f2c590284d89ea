"""Whether a circuit makes sense: what the shape of the file alone cannot tell."""

from collections.abc import Iterable, Iterator, Mapping

from meterlink.circuit.materials import FUSE_OHMS
from meterlink.circuit.model import Cable, CircuitFile, Conductor, Contact, DiodeElement, Element, Fuse
from meterlink.circuit.parts import REST, Kind
from meterlink.procedure.lint import Finding
from meterlink.procedure.problem import Severity
from meterlink.procedure.source import Path

FAULT_KINDS = ("open", "high", "bridged", "earth", "source", "reference", "none")
"""Kinds of fault, as `priors` may weigh them beside the kinds of element."""


def lint(file: CircuitFile) -> Iterator[Finding]:
    """Check a circuit against itself."""
    ids = {element.id: element for element in file.elements}
    nodes = {node for element in file.elements for node in (element.from_, element.to)}
    yield from _twice("elements", "id", [element.id for element in file.elements])
    for index, element in enumerate(file.elements):
        yield from _element(("elements", index), element, ids)
    if file.reference not in nodes:
        yield Finding(("reference",), f"no element ends at the reference {file.reference!r}")
    elif not any(Kind(element.kind).supplies for element in file.elements):
        yield Finding(("elements",), "nothing supplies the circuit; expected a battery, a source or a charger")
    else:
        yield from _islands(file)
    yield from _points(file, nodes)
    yield from _situations(file, ids)
    yield from _symptoms(file, ids)
    known = (*Kind, *FAULT_KINDS)
    for name in file.priors:
        if name not in known:
            yield Finding(("priors", name), f"{name!r} is no kind of element or fault; known are {', '.join(known)}")


def _element(where: Path, element: Element, ids: Mapping[str, Element]) -> Iterator[Finding]:
    if element.from_ == element.to:
        yield Finding((*where, "to"), f"{element.id} begins and ends at {element.to!r}; expected two nodes")
    if isinstance(element, Conductor | Cable):
        yield from _copper(where, element)
    elif isinstance(element, Fuse):
        if (element.resistance is None) == (element.rating is None):
            yield Finding(where, f"{element.id}: expected its rating or its resistance, and not both")
        elif element.rating is not None and element.rating not in FUSE_OHMS:
            known = ", ".join(f"{each:g}" for each in FUSE_OHMS)
            yield Finding(
                (*where, "rating"), f"no figure for such a fuse; expected one of {known} A, or the resistance"
            )
    elif isinstance(element, Contact):
        if element.coil is not None and (element.coil not in ids or ids[element.coil].kind != "coil"):
            yield Finding((*where, "coil"), f"no coil has the id {element.coil!r}")
    elif isinstance(element, DiodeElement) and element.saturation > 1e-3:
        yield Finding((*where, "saturation"), "expected at most 1 mA")


def _copper(where: Path, element: Conductor | Cable) -> Iterator[Finding]:
    if element.resistance is not None:
        if element.length is not None or element.section is not None:
            yield Finding((*where, "resistance"), "the resistance is given, and the length or size too; leave one out")
        return
    if element.length is None or element.section is None:
        yield Finding(where, f"{element.id}: expected length and section, or resistance")
        return
    metric = element.section.mm2 is not None
    if element.strand is not None and metric != (element.strand in ("2", "5", "5-coated")):
        known = "2, 5 or 5-coated" if metric else "solid or stranded"
        yield Finding((*where, "strand"), f"{element.strand!r} does not go with {element.section}; expected {known}")


def _islands(file: CircuitFile) -> Iterator[Finding]:
    """Warn of parts that nothing could ever join to the reference."""
    reached = {file.reference}
    grows = True
    while grows:
        new = {
            node
            for element in file.elements
            if reached & {element.from_, element.to}
            for node in (element.from_, element.to)
        }
        grows = not new <= reached
        reached |= new
    for index, element in enumerate(file.elements):
        if element.from_ not in reached:
            text = f"{element.id} has no path to {file.reference!r}, whatever is closed"
            yield Finding(("elements", index), text, Severity.WARNING)


def _points(file: CircuitFile, nodes: set[str]) -> Iterator[Finding]:
    yield from _twice("points", "at", [point.at for point in file.points])
    for index, point in enumerate(file.points):
        if point.at not in nodes:
            yield Finding(("points", index, "at"), f"no element ends at {point.at!r}")


def _situations(file: CircuitFile, ids: Mapping[str, Element]) -> Iterator[Finding]:
    yield from _twice("situations", "name", [each.name for each in file.situations])
    for index, situation in enumerate(file.situations):
        where: Path = ("situations", index)
        for place, tag in enumerate(situation.operated):
            if tag not in ids or ids[tag].kind != "contact":
                yield Finding((*where, "operated", place), f"no contact has the id {tag!r}")
        for place, tag in enumerate(situation.apart):
            if tag not in ids:
                yield Finding((*where, "apart", place), f"no element has the id {tag!r}")


def _symptoms(file: CircuitFile, ids: Mapping[str, Element]) -> Iterator[Finding]:
    yield from _twice("symptoms", "name", [each.name for each in file.symptoms])
    known = {REST, *(each.name for each in file.situations)}
    for index, symptom in enumerate(file.symptoms):
        for place, shown in enumerate(symptom.shows):
            where: Path = ("symptoms", index, "shows", place)
            if shown.in_ not in known:
                yield Finding((*where, "in"), f"no situation has the name {shown.in_!r}")
            if shown.coil not in ids or ids[shown.coil].kind not in ("coil", "lamp", "motor"):
                yield Finding((*where, "coil"), f"no coil, motor or lamp has the id {shown.coil!r}")


def _twice(part: str, key: str, names: Iterable[str]) -> Iterator[Finding]:
    first: dict[str, int] = {}
    for index, name in enumerate(names):
        if name in first:
            yield Finding((part, index, key), f"{key} {name!r} is used twice", first=(part, first[name], key))
        first.setdefault(name, index)
