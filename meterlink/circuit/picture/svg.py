"""A circuit's picture as SVG: for a page on a phone, in the dark too, for a screen reader, and for paper. Pure.

The same circuit and marks always give the same text. Whatever comes from the file stands in it as text only.
"""

from collections.abc import Iterator
from textwrap import wrap
from xml.sax.saxutils import escape, quoteattr

from meterlink.circuit.parts import Circuit, Kind
from meterlink.circuit.picture.dress import PAPER_STYLE, STYLE
from meterlink.circuit.picture.layout import layout
from meterlink.circuit.picture.legend import ROW, legend
from meterlink.circuit.picture.lettering import breadth, clean
from meterlink.circuit.picture.marks import Mark, Marks, accusation, part_words, percent
from meterlink.circuit.picture.shapes import box, dot, earth, joint, marker, number, place, wires
from meterlink.circuit.picture.sheet import SYMBOL, Drawn, Sheet, Text, sheet
from meterlink.circuit.picture.symbols import symbol
from meterlink.circuit.picture.written import SPACE

_LEAST_WIDTH = 300.0
_MARGIN = 12.0
_HEADING = 20.0
"""Height of a line of the heading."""
_HEADING_SIZE = 15.0
_CLOSE_UP = 1.2
"""Height of a close-up, in its widths."""
_REFERENCE = "reference"
_MOST_NAMED = 5
"""Suspects that the description names."""


def svg(circuit: Circuit, marks: Marks, *, title: str | None = None, on_paper: bool = False) -> str:
    """Draw a circuit.

    Args:
        circuit: the circuit.
        marks: what is known of it.
        title: the heading; the circuit's own title unless told.
        on_paper: black on white, without a search's signs, for programs whose style sheets know no variables or media.

    Returns:
        The `svg` element, to be put into a page or to be saved by itself. It has no width of its own: it fills what it
        is put into. Where there is a node to probe, the fragment `#probe` names the part of the picture around it.
    """
    laid = sheet(circuit, marks, layout(circuit))
    width = max(laid.width, _LEAST_WIDTH)
    heading = clean(circuit.title if title is None else title)
    lines = _wrapped(heading, width)
    entries, rows = legend(width, _MARGIN, search=not on_paper)
    top = _MARGIN + _HEADING * len(lines)
    bottom = top + laid.height
    height = bottom + ROW * rows + _MARGIN
    return "".join(
        (
            '<svg xmlns="http://www.w3.org/2000/svg" class="circuit-picture" role="img" '
            f'viewBox="0 0 {place(width, height)}">\n',
            f"<title>{escape(heading)}</title>\n<desc>{escape(_description(circuit, marks))}</desc>\n",
            f"<style>{PAPER_STYLE if on_paper else STYLE}</style>\n",
            _close_up(width, height, top + laid.probe[1]) if laid.probe else "",
            f'<rect class="paper" width="{number(width)}" height="{number(height)}" fill="#fff"/>\n',
            *lines,
            f'<g transform="translate({place(0, top)})">\n',
            *(f"{each}\n" for each in _picture(circuit, marks, laid)),
            f'</g>\n<g class="legend" transform="translate({place(0, bottom)})">\n',
            *(f"{each}\n" for each in entries),
            "</g>\n</svg>\n",
        )
    )


def _close_up(width: float, height: float, middle: float) -> str:
    """What a page shows that has no room for all of it: as wide as the picture, and about as high."""
    cut = min(height, _CLOSE_UP * width)
    top = min(max(0.0, middle - cut / 2), height - cut)
    return f'<view id="probe" viewBox="0 {number(top)} {place(width, cut)}"/>\n'


def _wrapped(heading: str, width: float) -> list[str]:
    """The heading in lines."""
    signs = int((width - 2 * _MARGIN) / breadth("n", _HEADING_SIZE, bold=True))
    return [
        f'<text class="heading" x="{number(_MARGIN)}" y="{number(_HEADING * (index + 1))}">{escape(line)}</text>\n'
        for index, line in enumerate(wrap(heading, signs, max_lines=3, placeholder=" …"))
    ]


def _picture(circuit: Circuit, marks: Marks, laid: Sheet) -> Iterator[str]:
    """The circuit itself: what is dead first, so that what is live is never cut by it where the two cross."""
    looks = {node: _look(circuit, marks, node) for node in circuit.nodes}
    for look in (Mark.DEAD, _REFERENCE, Mark.UNKNOWN, Mark.FLOATING, Mark.LIVE):
        yield from wires(look, [line for node, each in laid.wires.items() if looks[node] == look for line in each])
    yield earth(*laid.earth)
    for drawn in laid.drawn:
        yield _part(circuit, marks, drawn)
    for node, x, y in laid.joints:
        yield joint(looks[node], x, y)
    for node, (x, y) in laid.stops.items():
        yield f"<g data-node={quoteattr(clean(node))}>{dot(marks.of(node), x, y)}</g>"
    if laid.probe is not None:
        yield marker(*laid.probe)
    yield from map(_text, laid.texts)


def _look(circuit: Circuit, marks: Marks, node: str) -> str:
    """A node's state; the reference is 0 V by its meaning, so where nothing is said of it, it is not unknown."""
    return _REFERENCE if node == circuit.reference and node not in marks.nodes else marks.of(node)


def _part(circuit: Circuit, marks: Marks, drawn: Drawn) -> str:
    part = drawn.part
    words = ", ".join(part_words(marks, part))
    pieces = [
        f"<g data-part={quoteattr(clean(part.id))} "
        f'transform="translate({place(drawn.x, drawn.y)}) rotate({drawn.turn})">',
        f"<title>{escape(clean(f'{part.id}: {words}; {part.tail} to {part.head}'))}</title>",
    ]
    if accusation(marks, part):
        pieces.append(box(proven=part.id == marks.found))
    shapes = symbol(part.kind, is_open=marks.is_open(part), breaks=part.conducts)
    look = f"line part{' bare' if part.kind is Kind.CONDUCTOR else ''} {marks.along(circuit, part)}"
    pieces.append(f'<g class="{look}" fill="none" stroke="#000">{shapes}</g>')
    if part.kind is Kind.MOTOR and not marks.is_open(part):
        upright = f"translate({place(SYMBOL / 2, 0)}) rotate({-drawn.turn})"
        pieces.append(f'<text class="letter" text-anchor="middle" transform="{upright}" y="4.5">M</text>')
    return "".join((*pieces, "</g>"))


def _text(text: Text) -> str:
    anchor = "" if text.anchor == "start" else f' text-anchor="{text.anchor}"'
    pieces = "".join(
        f'<tspan class="{name}" dx="{SPACE if index else 0:.0f}">{escape(written)}</tspan>'
        for index, (name, written) in enumerate(text.pieces)
    )
    return f'<text x="{number(text.x)}" y="{number(text.y)}"{anchor}>{pieces}</text>'


def _description(circuit: Circuit, marks: Marks) -> str:
    """The picture in sentences, for those who do not see it."""
    found = {mark: [node for node in circuit.nodes if marks.nodes.get(node) is mark] for mark in Mark}
    sentences = [f"{len(circuit.parts)} parts between {len(circuit.nodes)} points"]
    sentences += [f"{mark}: {', '.join(found[mark])}" for mark in (Mark.LIVE, Mark.DEAD, Mark.FLOATING) if found[mark]]
    held = sorted(
        (part.id for part in circuit.parts if part.id in marks.suspects), key=lambda each: -marks.suspects[each]
    )
    if held:
        named = [f"{each} {percent(marks.suspects[each])}" for each in held[:_MOST_NAMED]]
        more = [f"{len(held) - _MOST_NAMED} more"] if len(held) > _MOST_NAMED else []
        sentences.append(f"suspect: {', '.join([*named, *more])}")
    if marks.found in circuit.by_id:
        sentences.append(f"found faulty: {marks.found}")
    if marks.probe in circuit.number:
        sentences.append(f"probe here: {marks.probe}")
    return clean(". ".join(sentences) + ".")
