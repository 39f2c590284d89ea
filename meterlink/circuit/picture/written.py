"""What is written on the picture beside nodes and parts, in lines of pieces, and how wide that is."""

from collections.abc import Sequence

from meterlink.circuit.parts import Circuit, Part
from meterlink.circuit.picture.lettering import breadth, short_tag
from meterlink.circuit.picture.marks import Marks, accusation, node_words, part_words

TAG_SIZE = 13.0
"""Height of a tag's letters, in the SVG's units."""
WORD_SIZE = 12.0
"""Of all other text."""
SPACE = 5.0
"""Between two pieces of a line."""

_LONG_LINE = 104.0
"""How long a node's line gets before it is broken: so a phone shows two columns at full size."""

Piece = tuple[str, str]
"""What a piece of text is (`node`, `part-tag`, `value`, `words`, `state`, `accused`), and the text."""

Line = tuple[Piece, ...]


def node_lines(circuit: Circuit, marks: Marks, node: str) -> list[Line]:
    """The line on a node's wire, and the one under it where that would grow too long."""
    words = list(node_words(circuit, marks, node))
    probe: list[Piece] = [("accused", words.pop())] if node == marks.probe else []
    value: list[Piece] = []
    if node in marks.values:
        value.append(("value", short_tag(marks.values[node])))
    tag: Piece = ("node", short_tag(node))
    rest: list[Piece] = [*value, ("state", ", ".join(words))]
    whole = (tag, *rest, *probe)
    return [whole] if widest([whole]) <= _LONG_LINE else [(tag, *probe), tuple(rest)]


def part_lines(marks: Marks, part: Part) -> list[Line]:
    """The tag, the kind and how it stands, and what is held against it, one under the other."""
    held = accusation(marks, part)
    words = part_words(marks, part, brief=True)
    plain = words[: len(words) - len(held)]
    return [
        (("part-tag", short_tag(part.id)),),
        (("words", " ".join(plain)),),
        *((("accused", word),) for word in held),
    ]


def widest(lines: Sequence[Line]) -> float:
    """About how wide the widest line is."""
    return max(sum(_width(*piece) for piece in line) + (len(line) - 1) * SPACE for line in lines)


def _width(name: str, text: str) -> float:
    size = TAG_SIZE if name in ("node", "part-tag") else WORD_SIZE
    return breadth(text, size, bold=name not in ("words", "state"))
