"""What is taken of the picture's grid: stretches of rows and risers by nodes, stretches of columns by parts."""

from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import count
from typing import NamedTuple, TypeVar

from meterlink.circuit.parts import Part
from meterlink.circuit.picture.places import DROPS, DROPS_BEGIN, LAST, Across, Level, Upright, Wire

_Place = TypeVar("_Place", int, Across)


class Way(NamedTuple):
    """Stretches of rows, from the node on, and the riser between two of them."""

    levels: list[tuple[int, Across, Across]]
    riser: Across | None = None


@dataclass
class Grid:
    """What is taken."""

    rows: dict[int, list[tuple[Across, Across, str]]] = field(default_factory=dict)
    """By row: the level stretches, with their nodes."""
    columns: dict[int, list[tuple[int, int]]] = field(default_factory=dict)
    """By column: from which row to which something stands in it; a node is a single row."""
    risers: dict[Across, list[tuple[int, int, str]]] = field(default_factory=dict)
    places: dict[str, tuple[int, int]] = field(default_factory=dict)
    """By node: its column and row."""
    uprights: list[Upright] = field(default_factory=list)
    levels: list[Level] = field(default_factory=list)
    height: int = 0
    """The first row below everything."""

    def copy(self) -> "Grid":
        """A grid to try something on."""
        return Grid(
            {row: list(taken) for row, taken in self.rows.items()},
            {column: list(taken) for column, taken in self.columns.items()},
            {place: list(taken) for place, taken in self.risers.items()},
            dict(self.places),
            list(self.uprights),
            list(self.levels),
            self.height,
        )

    def level_is_free(self, row: int, left: Across, right: Across, node: str) -> bool:
        """Whether a node may have a stretch of a row; ends that touch would be joined."""
        return all(owner == node or right < start or end < left for start, end, owner in self.rows.get(row, ()))

    def column_is_free(self, column: int, top: int, bottom: int) -> bool:
        """Whether something may stand in a column from row to row; ends may touch, where rows keep nodes apart."""
        return all(bottom <= start or end <= top for start, end in self.columns.get(column, ()))

    def riser_is_free(self, place: Across, top: int, bottom: int, node: str) -> bool:
        """Whether a node may run down there."""
        return all(owner == node or bottom < start or end < top for start, end, owner in self.risers.get(place, ()))

    def take_level(self, row: int, left: Across, right: Across, node: str) -> None:
        """Give a node a stretch of a row."""
        self.rows.setdefault(row, []).append((left, right, node))
        self.height = max(self.height, row + 1)

    def stand(self, part: Part, column: int, top: int, bottom: int, upper: str) -> None:
        """Put a part upright into a column."""
        self.columns.setdefault(column, []).append((top, bottom))
        self.uprights.append(Upright(part, column, top, bottom, upper))

    def way(self, node: str, row: int, target: Across) -> Way | None:
        """How a node can be led to a place right of it: in its own row, or from a riser in one below. None: it cannot.

        A bar is reached from the risers in front of the drops, a column from those beside the node's own.
        """
        column, own = self.places[node]
        here: Across = (column, 0)
        if target == here or row < own:
            return Way([]) if row == own else None
        if row == own:
            return Way([(row, here, target)]) if self.level_is_free(row, here, target, node) else None
        beside = DROPS if target > DROPS_BEGIN else column
        riser = next(each for each in self._riser_places(beside, node) if self.riser_is_free(each, own, row, node))
        if self.level_is_free(row, riser, target, node) and self.level_is_free(own, here, riser, node):
            return Way([(own, here, riser), (row, riser, target)], riser)
        return None

    def lead(self, node: str, way: Way) -> None:
        """Lead a node that way."""
        for row, left, right in way.levels:
            self.take_level(row, left, right, node)
        if way.riser is not None:
            top, bottom = way.levels[0][0], way.levels[1][0]
            self.risers.setdefault(way.riser, []).append((top, bottom, node))

    def _riser_places(self, column: int, node: str) -> Iterator[Across]:
        """Risers right of a column, the node's own ones first, then the next ones."""
        mine = [place for place, taken in self.risers.items() if place[0] == column and taken[0][2] == node]
        yield from sorted(mine)
        for index in count(1):
            yield column, index

    def wires(self) -> Iterator[Wire]:
        """Each node's stretches, joined where they overlap; a level one ends where its part begins."""
        for row, taken in self.rows.items():
            for node, stretches in _by_node(taken).items():
                seen = [(left, min(right, DROPS_BEGIN)) for left, right in stretches if left < DROPS_BEGIN]
                for left, right in _joined([(left, right) for left, right in seen if not _kept_free(right)]):
                    yield Wire(node, left, right, row, row)
        for place, runs in self.risers.items():
            for node, spans in _by_node(runs).items():
                for top, bottom in _joined(spans):
                    yield Wire(node, place, place, top, bottom)


def _kept_free(right: Across) -> bool:
    """Whether a stretch is only kept free for risers to come."""
    return right[1] == LAST and right[0] != DROPS


def _by_node(taken: list[tuple[_Place, _Place, str]]) -> dict[str, list[tuple[_Place, _Place]]]:
    """Stretches of more than a point, by their node."""
    found: dict[str, list[tuple[_Place, _Place]]] = {}
    for start, end, node in taken:
        if start < end:
            found.setdefault(node, []).append((start, end))
    return found


def _joined(stretches: list[tuple[_Place, _Place]]) -> list[tuple[_Place, _Place]]:
    """The same stretches without overlaps."""
    merged: list[tuple[_Place, _Place]] = []
    for start, end in sorted(stretches):
        if merged and start <= merged[-1][1]:
            merged[-1] = (merged[-1][0], max(merged[-1][1], end))
        else:
            merged.append((start, end))
    return merged
