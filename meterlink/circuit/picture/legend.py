"""The picture's legend: what its lines and signs mean, in words, in rows as wide as the picture."""

from collections.abc import Iterator
from xml.sax.saxutils import escape

from meterlink.circuit.parts import Kind
from meterlink.circuit.picture.lettering import breadth
from meterlink.circuit.picture.marks import Mark
from meterlink.circuit.picture.shapes import box, dot, marker, place, wires
from meterlink.circuit.picture.sheet import SYMBOL
from meterlink.circuit.picture.symbols import symbol
from meterlink.circuit.picture.written import WORD_SIZE

ROW = 26.0
"""Height of a row."""

_SAMPLE = SYMBOL
_SPACE = 14.0
"""Between two entries."""


def legend(width: float, margin: float, *, search: bool = True) -> tuple[list[str], int]:
    """Draw the legend from y = 0 down.

    Args:
        width: of the picture.
        margin: left and right.
        search: with the signs of a search for a fault.

    Returns:
        The entries, and how many rows they take.
    """
    drawn, x, row = [], margin, 0
    for word, sample in _entries(search=search):
        room = _SAMPLE + 6 + breadth(word, WORD_SIZE)
        if x > margin and x + room > width - margin:
            x, row = margin, row + 1
        drawn.append(
            f'<g transform="translate({place(x, ROW * (row + 0.5))})">{sample}'
            f'<text x="{_SAMPLE + 6:.0f}" y="4">{escape(word)}</text></g>'
        )
        x += room + _SPACE
    return drawn, row + 1


def _entries(*, search: bool) -> Iterator[tuple[str, str]]:
    for mark in Mark:
        line = "".join(wires(mark, [(0, 0, _SAMPLE, 0)]))
        yield str(mark), line + dot(mark, _SAMPLE / 2, 0)
    shapes = symbol(Kind.CONTACT, is_open=True, breaks=False)
    yield "open", f'<g class="line part" fill="none" stroke="#000">{shapes}</g>'
    if not search:
        return
    yield "suspect, how likely", f'<g transform="translate(8 0) scale(0.55)">{box(proven=False)}</g>'
    yield "found faulty", f'<g transform="translate(8 0) scale(0.55)">{box(proven=True)}</g>'
    yield "probe here", marker(_SAMPLE - 8, 0)
