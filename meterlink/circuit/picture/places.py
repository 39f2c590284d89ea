"""The places of the picture's grid, and what stands in them."""

from dataclasses import dataclass

from meterlink.circuit.parts import Part
from meterlink.circuit.picture.chains import far_end

Across = tuple[int, int]
"""A place from left to right: (column, 0), or (column, n) for the n-th riser right of it. Then DROPS, then the bars."""

DROPS = 1_000_000
"""The strip in which parts lie on their way to a bar, with its own risers in front."""

LAST = 999_999
"""Behind all risers of a column."""

DROPS_BEGIN: Across = (DROPS, LAST)
"""Where the parts in that strip begin."""


def bar_place(index: int) -> Across:
    """Where a bar stands."""
    return DROPS + 1 + index, 0


@dataclass(frozen=True, slots=True)
class Stop:
    """Where a node's dot and tag are."""

    node: str
    column: int
    row: int


@dataclass(frozen=True, slots=True)
class Wire:
    """A straight stretch of one node; level where both rows are the same."""

    node: str
    left: Across
    right: Across
    top: int
    bottom: int


@dataclass(frozen=True, slots=True)
class Upright:
    """A part that stands in a column, under the row of its upper node and above the next one; a wire leads on down."""

    part: Part
    column: int
    top: int
    bottom: int
    upper: str
    """The node at its upper end."""

    @property
    def lower(self) -> str:
        """The node at its lower end."""
        return far_end(self.part, self.upper)


@dataclass(frozen=True, slots=True)
class Level:
    """A part that lies in a row on its way to a bar."""

    part: Part
    row: int
    node: str
    """Where it comes from."""
    bar: int
    """The bar's place."""


@dataclass(frozen=True, slots=True)
class Tie:
    """A part between two bars: it hangs beside the left one, under a row, and leads on to the other in the next."""

    part: Part
    row: int
    left: int
    right: int
    """The bars' places."""


@dataclass(frozen=True, slots=True)
class Bar:
    """A node drawn from top to bottom, below everything else; its tag is in its last row, left of it."""

    node: str
    top: int
    bottom: int


@dataclass(frozen=True, slots=True)
class Layout:
    """A circuit's picture on its grid."""

    rows: int
    columns: int
    risers: dict[int, int]
    """By column, or DROPS: how many risers stand right of it, or in front of it."""
    stops: tuple[Stop, ...]
    wires: tuple[Wire, ...]
    uprights: tuple[Upright, ...]
    levels: tuple[Level, ...]
    ties: tuple[Tie, ...]
    bars: tuple[Bar, ...]
