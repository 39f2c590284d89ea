"""A circuit's picture as text, for a terminal: the rail, with every node a stop and every part between two stops. Pure.

    ┃ ● G1:+      27.26 V  live        proven live: solid rail
    ┃   F1        fuse
    │ ○ X1:3       0.02 V  dead        dead: hollow
      ▯ B1        suspect 46 %, contact NC, closed
  ▶ ┆ · B1:12              unknown, probe
    ┊ ◌ A1:in              floating

A suspect stands in a gap of the rail. Branches follow as rails of their own; what leads off to the side stands under
its node. State is told by shape and word; a terminal may add colour on top.
"""

from collections.abc import Iterator
from dataclasses import dataclass

from meterlink.circuit.parts import Circuit, Part
from meterlink.circuit.picture.chains import Chain, Skeleton, far_end, skeleton
from meterlink.circuit.picture.lettering import cells, clean, cut, padded
from meterlink.circuit.picture.marks import Mark, Marks, accusation, node_words, part_words

_RAIL = {Mark.LIVE: "┃", Mark.DEAD: "│", Mark.UNKNOWN: "┆", Mark.FLOATING: "┊"}
_STOP = {Mark.LIVE: "●", Mark.DEAD: "○", Mark.UNKNOWN: "·", Mark.FLOATING: "◌"}
_BAR, _REFERENCE = "║", "═"
_SUSPECT, _FOUND, _OPEN = "▯", "▮", "╱"
_POINTER = "▶"
_BEFORE_TAG = 6
"""Columns in front of a tag: pointer, rail, stop, and a space after each."""
_LEAST_TAG = 6
_WORDS = 9
"""Columns that the words keep where a window is narrow: `floating`, and one to spare."""
_LONGEST_TAG = 24


@dataclass(frozen=True, slots=True)
class _Widths:
    tag: int
    value: int


def rail_lines(circuit: Circuit, marks: Marks, width: int, height: int | None = None) -> list[str]:
    """Draw a circuit.

    Args:
        circuit: the circuit.
        marks: what is known of it.
        width: columns of the terminal; no line is wider.
        height: rows; None: as many as it takes. Where there are fewer, those around the node to probe are kept.
    """
    divided = skeleton(circuit)
    rail = _Rail(circuit, marks, divided, _widths(circuit, marks, width))
    lines = [cut(line.rstrip(), width) for line in rail.lines()]
    if height is None or len(lines) <= height:
        return lines
    at = next((index for index, line in enumerate(lines) if line.startswith(_POINTER)), 0)
    first = max(0, min(at - height // 2, len(lines) - height))
    return lines[first : first + max(0, height)]


def _widths(circuit: Circuit, marks: Marks, width: int) -> _Widths:
    """How many columns tags and values get: as many as they need, but for the words there is always room."""
    value = max((cells(clean(marks.values[node])) for node in circuit.nodes if node in marks.values), default=0)
    longest = max(cells(clean(tag)) for tag in (*circuit.nodes, *circuit.by_id))
    room = width - _BEFORE_TAG - 1 - value - 2 - _WORDS
    return _Widths(max(_LEAST_TAG, min(longest, _LONGEST_TAG, room)), value)


class _Rail:
    """One circuit, line by line."""

    def __init__(self, circuit: Circuit, marks: Marks, divided: Skeleton, widths: _Widths) -> None:
        self._circuit, self._marks, self._divided, self._widths = circuit, marks, divided, widths
        order = [node for chain in divided.chains for node in chain.nodes] + list(divided.bars)
        place = {node: index for index, node in enumerate(order)}
        self._beside: dict[str, list[Part]] = {node: [] for node in order}
        for part in (*divided.drops, *divided.links, *divided.ties):
            self._beside[min(part.nodes, key=place.__getitem__)].append(part)

    def lines(self) -> Iterator[str]:
        """Every node and every part, once."""
        for index, chain in enumerate(self._divided.chains):
            if index:
                yield ""
            yield from self._chain(chain)
        if self._divided.chains:
            yield ""
        for node in self._divided.bars:
            yield self._stop(node, _BAR)
            yield from self._side(node)

    def _chain(self, chain: Chain) -> Iterator[str]:
        if chain.parent is not None:
            yield f"    from {clean(chain.parent)}"
        for part, node in chain.rungs:
            if part is not None:
                yield self._between(part)
            yield self._stop(node, _RAIL[self._marks.of(node)])
            yield from self._side(node)

    def _stop(self, node: str, rail: str) -> str:
        pointer = _POINTER if node == self._marks.probe else " "
        known = node != self._circuit.reference or node in self._marks.nodes
        mark = _STOP[self._marks.of(node)] if known else _REFERENCE
        value = clean(self._marks.values.get(node, ""))
        value = " " * (self._widths.value - cells(value)) + value
        words = ", ".join(node_words(self._circuit, self._marks, node))
        return f"{pointer} {rail} {mark} {self._tag(node)} {value}  {words}"

    def _between(self, part: Part) -> str:
        rail, sign = self._signs(part)
        return f"  {rail} {sign} {self._tag(part.id)} {self._words(part)}"

    def _side(self, node: str) -> Iterator[str]:
        """What leads off from a node, and where to."""
        for part in self._beside[node]:
            _, sign = self._signs(part)
            there = clean(far_end(part, node))
            rail = _BAR if node in self._divided.bars else _RAIL[self._marks.of(node)]
            yield f"  {rail} └{sign.strip() or '─'} {clean(part.id)} {self._words(part)}, to {there}"

    def _signs(self, part: Part) -> tuple[str, str]:
        """A part's stretch of the rail, and its own sign: a suspect stands in a gap, what is open breaks the line."""
        if accusation(self._marks, part):
            return " ", _FOUND if part.id == self._marks.found else _SUSPECT
        if self._marks.is_open(part):
            return _OPEN, " "
        return _RAIL[self._marks.along(self._circuit, part)], " "

    def _tag(self, tag: str) -> str:
        return padded(clean(tag), self._widths.tag)

    def _words(self, part: Part) -> str:
        """What is said of a part; what is held against it first, where a narrow window cuts least."""
        words, held = part_words(self._marks, part), accusation(self._marks, part)
        return ", ".join((*held, *words[: len(words) - len(held)]))
