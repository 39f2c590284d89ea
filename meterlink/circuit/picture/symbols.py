"""The symbols of parts, drawn by schemdraw after IEC 60617, as bare shapes that the picture gives its line styles.

A symbol lies on the x axis from the tail (0, 0) to the head (LENGTH, 0), its leads included.
"""

import re
from functools import cache
from xml.etree import ElementTree

import schemdraw
from schemdraw import elements
from schemdraw.elements import Element, Element2Term
from schemdraw.elements.elements import gap
from schemdraw.segments import Segment, SegmentArc, SegmentCircle, SegmentPoly

from meterlink.circuit.parts import Kind

LENGTH = 36.0
"""In units of the picture: what schemdraw makes of one of its own."""

_NUMBERS = re.compile(r"-?\d+\.?\d*")


class _Drawn(Element2Term):
    """A symbol of our own: two leads that end where the symbol begins and begin where it ends, and lines."""

    def __init__(self, begin: float, end: float, *lines: list[tuple[float, float]]) -> None:
        super().__init__()
        self.segments.append(Segment([(0, 0), (begin, 0), gap, (end, 0), (1, 0)]))
        self.segments.extend(Segment(line) for line in lines)

    def ring(self, x: float, radius: float) -> "_Drawn":
        """Add a circle on the axis."""
        self.segments.append(SegmentCircle((x, 0), radius))
        return self


def _rectangle(left: float, right: float, half: float) -> list[tuple[float, float]]:
    return [(left, half), (right, half), (right, -half), (left, -half), (left, half)]


def _conductor() -> Element:
    return _Drawn(0.5, 0.5)


def _cable() -> Element:
    """A flexible conductor (IEC 60617, 03-01-07): the wave of its line."""
    drawn = _Drawn(0.14, 0.86)
    for index in range(3):
        half = (180, 360) if index % 2 else (0, 180)
        drawn.segments.append(SegmentArc((0.26 + 0.24 * index, 0), 0.24, 0.3, theta1=half[0], theta2=half[1]))
    return drawn


def _fuse() -> Element:
    """IEC 60617, 07-21-01: the line runs through the box."""
    return _Drawn(0.1, 0.9, _rectangle(0.1, 0.9, 0.2), [(0.1, 0), (0.9, 0)])


def _make_contact(*, closed: bool) -> Element:
    """IEC 60617, 07-02-01."""
    lever = [(0.22, 0), (0.82, -0.08)] if closed else [(0.22, 0), (0.74, -0.34)]
    return _Drawn(0.22, 0.78, lever)


def _break_contact(*, closed: bool) -> Element:
    """IEC 60617, 07-02-03: at rest the lever crosses the stop of the fixed contact."""
    lever = [(0.22, 0), (0.9, -0.25)] if closed else [(0.22, 0), (0.6, -0.42)]
    return _Drawn(0.22, 0.78, [(0.78, 0), (0.78, -0.3)], lever)


def _breaker(*, closed: bool) -> Element:
    """IEC 60617, 07-13-05: the cross on the fixed contact."""
    lever = [(0.22, 0), (0.82, -0.08)] if closed else [(0.22, 0), (0.7, -0.36)]
    size = 0.1
    cross = [[(0.8 - size, -size), (0.8 + size, size)], [(0.8 - size, size), (0.8 + size, -size)]]
    return _Drawn(0.22, 0.8, lever, *cross)


def _connector(*, mated: bool) -> Element:
    """IEC 60617, 03-03-05: the socket's cup and the plug's pin."""
    cup, pin = (0.5, 0.5) if mated else (0.36, 0.68)
    drawn = _Drawn(cup - 0.16, pin)
    drawn.segments.append(SegmentArc((cup, 0), 0.32, 0.4, theta1=90, theta2=270))
    drawn.segments.append(SegmentPoly(_rectangle(pin - 0.06, pin + 0.24, 0.07), fill="black"))
    return drawn


def _jumper(*, fitted: bool) -> Element:
    """Two terminals and the link between them (IEC 60617, 03-03-17), lifted off where it is out."""
    foot, strap = (-0.08, -0.24) if fitted else (-0.28, -0.4)
    link = [(0.28, foot), (0.28, strap), (0.72, strap), (0.72, foot)]
    return _Drawn(0.2, 0.8, link).ring(0.28, 0.08).ring(0.72, 0.08)


def _coil() -> Element:
    """IEC 60617, 07-15-01: the leads enter the long sides."""
    return _Drawn(0.3, 0.7, _rectangle(0.3, 0.7, 0.4))


def _lamp() -> Element:
    """IEC 60617, 08-10-01."""
    arm = 0.3 * 0.7071
    cross = [[(0.5 - arm, -arm), (0.5 + arm, arm)], [(0.5 - arm, arm), (0.5 + arm, -arm)]]
    return _Drawn(0.2, 0.8, *cross).ring(0.5, 0.3)


def _motor() -> Element:
    """IEC 60617, 06-04-01; the letter in it is the picture's."""
    return _Drawn(0.12, 0.88).ring(0.5, 0.38)


def _charger() -> Element:
    """A rectifier (IEC 60617, 06-14-03): alternating side and direct side; the plus is at the head."""
    wave = [(0.24, -0.2), (0.28, -0.26), (0.33, -0.2), (0.38, -0.14), (0.42, -0.2)]
    return _Drawn(
        0.14,
        0.86,
        _rectangle(0.14, 0.86, 0.36),
        [(0.14, 0.36), (0.86, -0.36)],
        wave,
        [(0.56, 0.2), (0.74, 0.2)],
        [(0.65, 0.11), (0.65, 0.29)],
    )


def _apart() -> Element:
    """What does not conduct and has no symbol for it: a gap between two ends."""
    return _Drawn(0.28, 0.72, [(0.28, -0.14), (0.28, 0.14)], [(0.72, -0.14), (0.72, 0.14)])


def _element(kind: Kind, *, is_open: bool, breaks: bool) -> Element:
    match kind:
        case Kind.CONTACT if breaks:
            return _break_contact(closed=not is_open)
        case Kind.CONTACT:
            return _make_contact(closed=not is_open)
        case Kind.BREAKER:
            return _breaker(closed=not is_open)
        case Kind.CONNECTOR:
            return _connector(mated=not is_open)
        case Kind.JUMPER:
            return _jumper(fitted=not is_open)
        case _ if is_open:
            return _apart()
        case Kind.BATTERY:
            return elements.Battery().reverse()  # its long plate, the positive one, is at its start
        case Kind.SOURCE:
            return elements.SourceV().scale(0.8)
        case Kind.CHARGER:
            return _charger()
        case Kind.CABLE:
            return _cable()
        case Kind.FUSE:
            return _fuse()
        case Kind.RESISTOR:
            return elements.ResistorIEC().scale(0.8)
        case Kind.COIL:
            return _coil()
        case Kind.LAMP:
            return _lamp()
        case Kind.MOTOR:
            return _motor()
        case Kind.DIODE:
            return elements.Diode()
        case Kind.CONDUCTOR:
            return _conductor()


@cache
def symbol(kind: Kind, *, is_open: bool, breaks: bool) -> str:
    """A part's symbol as SVG shapes without any style; what is to be filled has the class `full`.

    Args:
        kind: of the part.
        is_open: whether it does not conduct; sources and loads are then drawn as a gap, too.
        breaks: of a contact, whether it is closed at rest.
    """
    drawing = schemdraw.Drawing(canvas="svg", show=False)
    element = _element(kind, is_open=is_open, breaks=breaks)
    drawing.add(element.right().length(1))
    return "".join(map(_bare, drawing.draw(show=False).getsvg()))


def _bare(shape: ElementTree.Element) -> str:
    """One shape without its style, and with short numbers: the picture's own style sheet says how it looks."""
    name = shape.tag.rpartition("}")[2]
    kept = {key: value for key, value in shape.attrib.items() if key in ("d", "points", "cx", "cy", "r")}
    full = ' class="full"' if "fill:none" not in shape.get("style", "") else ""
    values = "".join(f' {key}="{_NUMBERS.sub(_rounded, value).strip()}"' for key, value in kept.items())
    return f"<{name}{full}{values}/>"


def _rounded(number: re.Match[str]) -> str:
    text = f"{float(number[0]):.1f}".removesuffix(".0")
    return "0" if text == "-0" else text
