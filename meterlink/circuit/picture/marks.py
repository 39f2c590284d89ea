"""What is known of each node and part while the picture is drawn, and how it is told in words."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from math import isfinite

from meterlink.circuit.parts import Circuit, Kind, Part


class Mark(StrEnum):
    """What a node was found to be."""

    LIVE = "live"
    DEAD = "dead"
    UNKNOWN = "unknown"
    FLOATING = "floating"


@dataclass(frozen=True, slots=True)
class Marks:
    """What a picture shows beside the bare circuit. What the circuit does not have is passed over."""

    nodes: Mapping[str, Mark] = field(default_factory=dict)
    """A node that is not named is unknown."""
    values: Mapping[str, str] = field(default_factory=dict)
    """What was read at a node, with its unit, such as `27.26 V`."""
    suspects: Mapping[str, float] = field(default_factory=dict)
    """The probability, 0 to 1, with which a part is the faulty one."""
    probe: str | None = None
    """The node where the technician is asked to probe."""
    open_parts: frozenset[str] | None = None
    """The parts that do not conduct in the situation; None: those that do not conduct at rest."""
    found: str | None = None
    """The part that is proven faulty."""

    def of(self, node: str) -> Mark:
        """What a node was found to be."""
        return self.nodes.get(node, Mark.UNKNOWN)

    def along(self, circuit: Circuit, part: Part) -> Mark:
        """What is known all along a part: what both ends are, of which the reference is always 0 V and tells nothing.

        Where the ends differ, nothing is known along it.
        """
        ends = {self.of(node) for node in part.nodes if node != circuit.reference}
        return ends.pop() if len(ends) == 1 else Mark.UNKNOWN

    def is_open(self, part: Part) -> bool:
        """Whether a part is drawn open."""
        return not part.conducts if self.open_parts is None else part.id in self.open_parts


def percent(probability: float) -> str:
    """A probability for people: whole percents, as `< 1 %` where that would be none."""
    if not isfinite(probability):
        return "? %"
    share = 100 * min(1.0, max(0.0, probability))
    return "< 1 %" if share < 0.5 else f"{share:.0f} %"


def node_words(circuit: Circuit, marks: Marks, node: str) -> tuple[str, ...]:
    """What is said of a node besides its tag and its value."""
    words = []
    if node == circuit.reference:
        words.append("reference")
    if node != circuit.reference or node in marks.nodes:
        words.append(str(marks.of(node)))
    if node == marks.probe:
        words.append("probe")
    return tuple(words)


def part_words(marks: Marks, part: Part, *, brief: bool = False) -> tuple[str, ...]:
    """What is said of a part besides its tag: its kind, whether it is open, what is held against it.

    A contact says how it stands at rest, NC or NO; its kind is left out where that must be brief.
    """
    words = [str(part.kind)]
    if part.kind is Kind.CONTACT:
        rest = "NC" if part.conducts else "NO"
        words = [rest if brief else f"contact {rest}"]
    if marks.is_open(part):
        words.append("open")
    elif part.kind is Kind.CONTACT:
        words.append("closed")
    return (*words, *accusation(marks, part))


def accusation(marks: Marks, part: Part) -> tuple[str, ...]:
    """What is held against a part: nothing, a suspicion, or proof."""
    if part.id == marks.found:
        return ("found faulty",)
    if part.id in marks.suspects:
        return (f"suspect {percent(marks.suspects[part.id])}",)
    return ()
