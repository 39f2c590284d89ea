"""The shapes that the picture and its legend share: wires, dots, boxes and the marker, each in every state, as SVG.

Every shape carries a plain look of its own, for viewers that take no style sheet.
"""

from collections.abc import Iterable, Iterator

from meterlink.circuit.picture.marks import Mark
from meterlink.circuit.picture.sheet import HALF, SYMBOL, Stroke


def number(value: float) -> str:
    """A coordinate, to a tenth."""
    text = f"{value:.1f}".removesuffix(".0")
    return "0" if text == "-0" else text


def place(x: float, y: float) -> str:
    """A point, as paths and transformations write it."""
    return f"{number(x)} {number(y)}"


def wires(look: str, lines: Iterable[Stroke]) -> Iterator[str]:
    """All wires of a look: a state, or `reference`; a dead one is hollow, that is a line with a paler core."""
    path = "".join(
        f"M{place(x1, y1)}{f'V{number(y2)}' if x1 == x2 else f'H{number(x2)}'}"
        for x1, y1, x2, y2 in lines
        if (x1, y1) != (x2, y2)
    )
    if path:
        yield f'<path class="line wire {look}" d="{path}" fill="none" stroke="#000"/>'
        if look == Mark.DEAD:
            yield f'<path class="core" d="{path}" fill="none" stroke="#fff"/>'


def dot(mark: Mark, x: float, y: float) -> str:
    """A node: full, hollow, small, or a hollow diamond."""
    look = f'class="line dot {mark}" stroke="#000"'
    if mark is Mark.FLOATING:
        return f'<path {look} d="M{place(x, y - 7)}l7 7l-7 7l-7 -7z" fill="#fff"/>'
    radius = "3.4" if mark is Mark.UNKNOWN else "5.5"
    fill = "#fff" if mark is Mark.DEAD else "#000"
    return f'<circle {look} cx="{number(x)}" cy="{number(y)}" r="{radius}" fill="{fill}"/>'


def joint(look: str, x: float, y: float) -> str:
    """Where wires of one node meet."""
    return f'<circle class="line joint {look}" cx="{number(x)}" cy="{number(y)}" r="3.6" fill="#000"/>'


def earth(x: float, y: float) -> str:
    """The reference's symbol, at the end of its bar (IEC 60617, 02-15-01)."""
    return f'<path class="line" d="M{place(x, y)}v26m-12 0h24m-20 5h16m-12 5h8" fill="none" stroke="#000"/>'


def box(*, proven: bool) -> str:
    """What a suspect stands in, in its symbol's place; a proven fault has a heavy frame and a second one."""
    half = HALF - 1
    outer = _frame("box proof" if proven else "box", -1, half, SYMBOL + 2)
    return outer + (_frame("box", 3, half - 4, SYMBOL - 6) if proven else "")


def _frame(name: str, x: float, half: float, width: float) -> str:
    return (
        f'<rect class="{name}" x="{number(x)}" y="{number(-half)}" width="{number(width)}" height="{number(2 * half)}" '
        'fill="#fff" stroke="#000"/>'
    )


def marker(x: float, y: float) -> str:
    """Where to probe."""
    return f'<path class="probe" d="M{place(x, y)}l-15 -8v16z" fill="#000"/>'
