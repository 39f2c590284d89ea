"""From the grid to the sheet: how wide columns and how high rows are, given what is written there, and all positions.

Lengths are units of the SVG: about a pixel where a phone shows a picture of two columns.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from meterlink.circuit.parts import Circuit, Kind, Part
from meterlink.circuit.picture.chains import far_end
from meterlink.circuit.picture.marks import Marks, accusation
from meterlink.circuit.picture.places import DROPS, DROPS_BEGIN, Across, Layout, Level, Tie, Upright, bar_place
from meterlink.circuit.picture.written import Line, node_lines, part_lines, widest

SYMBOL = 36.0
"""Length of a symbol with its leads."""
HALF = 18.0
"""Half its greatest width, with the box around a suspect."""
GAP = 6.0
"""Between a suspect and the wires to it."""
LINE = 14.0
"""From one line of text to the next."""
LEFT = 32.0
"""Left of the first column: the marker where to probe."""
RIGHT = 20.0
TOP = 14.0

_RISER = 9.0
"""From one riser to the next."""
_BESIDE = 9.0
"""From a wire to the text beside it."""
_TAG_UP = 6.0
"""From a wire up to the base line of the tag on it."""
_WORDS_DOWN = 15.0
"""From a wire down to the base line of the words under it."""
_ROOM_ABOVE, _ROOM_BELOW = 21.0, 20.0
"""What a node's tag and words need of the rows above and below."""
_NO_WORDS = 8.0
"""Below a node without words there."""
_LEAST_ROW = 26.0
_LEAST_STRIP = SYMBOL + 2 * GAP
_BAR = 16.0
"""From one bar to the next."""
_HANGS = 28.0
"""From a bar to the part that hangs beside it."""
_EARTH = 44.0
"""The earth symbol under the reference's bar."""

Stroke = tuple[float, float, float, float]
"""x, y, x, y."""


@dataclass(frozen=True, slots=True)
class Text:
    """One line of text."""

    x: float
    y: float
    pieces: Line
    anchor: str = "start"

    @property
    def width(self) -> float:
        """About how wide it is."""
        return widest([self.pieces])


@dataclass(frozen=True, slots=True)
class Drawn:
    """Where a part's symbol is: its tail, and in which direction its head lies, in degrees clockwise from the right."""

    part: Part
    x: float
    y: float
    turn: int


@dataclass(frozen=True, slots=True)
class Sheet:
    """All positions."""

    width: float
    height: float
    wires: Mapping[str, tuple[Stroke, ...]]
    """By node."""
    stops: Mapping[str, tuple[float, float]]
    """By node: its dot; a bar has none."""
    joints: tuple[tuple[str, float, float], ...]
    """Where wires of one node meet elsewhere, with the node."""
    drawn: tuple[Drawn, ...]
    texts: tuple[Text, ...]
    probe: tuple[float, float] | None
    """The point of the marker, on the node or on its tag."""
    earth: tuple[float, float]
    """The end of the reference's bar."""


def sheet(circuit: Circuit, marks: Marks, grid: Layout) -> Sheet:
    """Work all positions out."""
    return _Sheet(circuit, marks, grid).laid()


class _Sheet:
    """Columns, rows, and what follows from them."""

    def __init__(self, circuit: Circuit, marks: Marks, grid: Layout) -> None:
        self._circuit, self._marks, self._grid = circuit, marks, grid
        self._wires: dict[str, list[Stroke]] = {node: [] for node in circuit.nodes}
        self._texts: list[Text] = []
        self._drawn: list[Drawn] = []
        self._stop_at = {(stop.column, stop.row): stop.node for stop in grid.stops}
        self._x = self._columns()
        self._y = self._rows()

    def _columns(self) -> dict[Across, float]:
        grid = self._grid
        widths = [0.0] * grid.columns
        for stop in grid.stops:
            width = widest(node_lines(self._circuit, self._marks, stop.node))
            widths[stop.column] = max(widths[stop.column], _BESIDE + width)
        for each in grid.uprights:
            width = widest(part_lines(self._marks, each.part))
            widths[each.column] = max(widths[each.column], HALF + 4 + width)
        x: dict[Across, float] = {}
        at = LEFT
        for column, width in enumerate(widths):
            x[column, 0] = at
            at = self._risers(x, column, at + width + _BESIDE)
            at += HALF + 4
        at = self._risers(x, DROPS, at - HALF + 4)
        x[DROPS_BEGIN] = at
        at += self._strip()
        for index, bar in enumerate(grid.bars):
            x[bar_place(index)] = at = max(at, self._left_of_bar(index, bar.node))
            at += _BAR
        return x

    def _risers(self, x: dict[Across, float], column: int, at: float) -> float:
        for index in range(1, self._grid.risers.get(column, 0) + 1):
            x[column, index] = at
            at += _RISER
        return at

    def _strip(self) -> float:
        """How wide the strip is where parts lie on their way to a bar."""
        texts = (widest(part_lines(self._marks, level.part)) for level in self._grid.levels)
        return max(_LEAST_STRIP, *texts, 0.0) + 12

    def _left_of_bar(self, index: int, node: str) -> float:
        """What a bar must have left of it for its own tag and those of the parts that hang there."""
        tag = widest(node_lines(self._circuit, self._marks, node)) + 2 * _BESIDE
        hanging = [tie.part for tie in self._grid.ties if tie.left == index]
        return max(tag, *(_HANGS + HALF + _BESIDE + widest(part_lines(self._marks, part)) for part in hanging), 0.0)

    def _rows(self) -> list[float]:
        above, below = [0.0] * self._grid.rows, [0.0] * self._grid.rows
        for level in self._grid.levels:
            lines = len(part_lines(self._marks, level.part)) - 1
            above[level.row] = max(above[level.row], HALF + LINE + 6)
            below[level.row] = max(below[level.row], HALF + LINE * lines + 8)
        rooms = [(stop.node, stop.row) for stop in self._grid.stops]
        for node, row in (*rooms, *((bar.node, bar.bottom) for bar in self._grid.bars)):
            above[row], below[row] = max(above[row], _ROOM_ABOVE), max(below[row], self._room_below(node))
        heights = [max(_LEAST_ROW, down + up) for down, up in zip(below, above[1:], strict=False)]
        for each in self._grid.uprights:
            heights[each.top] = max(heights[each.top], sum(self._rooms(each)))
        for tie in self._grid.ties:
            heights[tie.row] = max(heights[tie.row], self._slot(tie.part) + 2 * GAP)
        y = [TOP + above[0]]
        for height in heights:
            y.append(y[-1] + height)
        return y

    def _room_below(self, node: str) -> float:
        return _ROOM_BELOW if len(node_lines(self._circuit, self._marks, node)) > 1 else _NO_WORDS

    def _slot(self, part: Part) -> float:
        """How high the place of an upright part is."""
        return max(SYMBOL + 2 * self._gap(part), LINE * len(part_lines(self._marks, part)) + 4)

    def _rooms(self, each: Upright) -> tuple[float, float, float]:
        """What an upright part needs of the rows it stands between: for words above it, itself, the tag below it."""
        upper = self._stop_at.get((each.column, each.top))
        top = _NO_WORDS if upper is None else self._room_below(upper)
        bottom = _ROOM_ABOVE if (each.column, each.top + 1) in self._stop_at else GAP
        return top, self._slot(each.part), bottom

    def laid(self) -> Sheet:
        """Put everything in its place."""
        grid = self._grid
        for wire in grid.wires:
            self._wires[wire.node].append(
                (self._x[wire.left], self._y[wire.top], self._x[wire.right], self._y[wire.bottom])
            )
        for each in grid.uprights:
            self._upright(each)
        for level in grid.levels:
            self._level(level)
        for tie in grid.ties:
            self._tie(tie)
        stops = {stop.node: (self._x[stop.column, 0], self._y[stop.row]) for stop in grid.stops}
        for node, (x, y) in stops.items():
            self._label(node, x + _BESIDE, y, "start")
        for index, bar in enumerate(grid.bars):
            x = self._x[bar_place(index)]
            self._wires[bar.node].append((x, self._y[bar.top], x, self._y[bar.bottom]))
            self._label(bar.node, x - _BESIDE, self._y[bar.bottom], "end")
        last = self._x[bar_place(len(grid.bars) - 1)], self._y[-1]
        return Sheet(
            width=last[0] + RIGHT,
            height=last[1] + _EARTH,
            wires={node: tuple(lines) for node, lines in self._wires.items()},
            stops=stops,
            joints=tuple(self._joints(stops)),
            drawn=tuple(self._drawn),
            texts=tuple(self._texts),
            probe=self._probe(stops),
            earth=last,
        )

    def _label(self, node: str, x: float, y: float, anchor: str) -> None:
        for base, pieces in zip(
            (y - _TAG_UP, y + _WORDS_DOWN), node_lines(self._circuit, self._marks, node), strict=False
        ):
            self._texts.append(Text(x, base, pieces, anchor))

    def _upright(self, each: Upright) -> None:
        x, top = self._x[each.column, 0], self._y[each.top]
        above, _, below = self._rooms(each)
        middle = (top + above + self._y[each.top + 1] - below) / 2
        self._stand(each.part, each.upper, x, (top, middle, self._y[each.bottom]))
        self._beside(each.part, x + HALF + 4, middle, "start")

    def _tie(self, tie: Tie) -> None:
        left, right = self._x[bar_place(tie.left)], self._x[bar_place(tie.right)]
        x, top, bottom = left - _HANGS, self._y[tie.row], self._y[tie.row + 1]
        upper = self._grid.bars[tie.left].node
        self._wires[upper].append((x, top, left, top))
        self._wires[far_end(tie.part, upper)].append((x, bottom, right, bottom))
        self._stand(tie.part, upper, x, (top, (top + bottom) / 2, bottom))
        self._beside(tie.part, x - HALF - 4, (top + bottom) / 2, "end")

    def _stand(self, part: Part, upper: str, x: float, y: tuple[float, float, float]) -> None:
        """Stand a part upright between two wires: where the upper one begins, its own middle, where the lower ends."""
        top, middle, bottom = y
        away = SYMBOL / 2 + self._gap(part)
        self._wires[upper].append((x, top, x, middle - away))
        self._wires[far_end(part, upper)].append((x, middle + away, x, bottom))
        down = part.tail == upper or not _has_poles(part)
        self._drawn.append(Drawn(part, x, middle + (-SYMBOL if down else SYMBOL) / 2, 90 if down else 270))

    def _beside(self, part: Part, x: float, middle: float, anchor: str) -> None:
        lines = part_lines(self._marks, part)
        for index, pieces in enumerate(lines):
            self._texts.append(Text(x, middle + LINE * (index - len(lines) / 2 + 0.75), pieces, anchor))

    def _level(self, level: Level) -> None:
        start, end, y = self._x[DROPS_BEGIN], self._x[bar_place(level.bar)], self._y[level.row]
        middle, away = (start + self._x[bar_place(0)]) / 2, SYMBOL / 2 + self._gap(level.part)
        self._wires[level.node].append((start, y, middle - away, y))
        self._wires[far_end(level.part, level.node)].append((middle + away, y, end, y))
        right = level.part.tail == level.node or not _has_poles(level.part)
        self._drawn.append(Drawn(level.part, middle + (-SYMBOL if right else SYMBOL) / 2, y, 0 if right else 180))
        first, *others = part_lines(self._marks, level.part)
        self._texts.append(Text(middle, y - HALF - 4, first, "middle"))
        for index, pieces in enumerate(others):
            self._texts.append(Text(middle, y + HALF + LINE * (index + 1) - 3, pieces, "middle"))

    def _gap(self, part: Part) -> float:
        return GAP if accusation(self._marks, part) else 0.0

    def _joints(self, stops: Mapping[str, tuple[float, float]]) -> Iterator[tuple[str, float, float]]:
        """Where three ends of one node's wires meet, or one ends on another."""
        for node, lines in self._wires.items():
            ends = [end for x1, y1, x2, y2 in lines for end in ((x1, y1), (x2, y2))]
            for x, y in sorted(set(ends) - {stops.get(node)}):
                meet = ends.count((x, y)) + sum(2 for line in lines if _passes(line, x, y))
                if meet >= 3:
                    yield node, x, y

    def _probe(self, stops: Mapping[str, tuple[float, float]]) -> tuple[float, float] | None:
        node = self._marks.probe
        if node is not None and node in stops:
            return stops[node][0] - _BESIDE, stops[node][1]
        for index, bar in enumerate(self._grid.bars):
            if bar.node == node:
                return self._x[bar_place(index)] - _BESIDE / 2, self._y[bar.bottom]
        return None


def _has_poles(part: Part) -> bool:
    """Whether its symbol tells its two ends apart; the others always stand the same way, which reads more easily."""
    return part.kind.supplies or part.kind is Kind.DIODE


def _passes(line: Stroke, x: float, y: float) -> bool:
    """Whether a line passes a point, which is not one of its ends."""
    x1, y1, x2, y2 = line
    if x1 == x2 == x:
        return min(y1, y2) < y < max(y1, y2)
    return y1 == y2 == y and min(x1, x2) < x < max(x1, x2)
