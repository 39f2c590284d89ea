"""Where everything stands on the picture's grid: nodes on rows, parts upright in columns, bars on the right. Pure.

A node owns a level stretch of its row and may run down beside its column (a riser) to branch off further below. A part
stands upright between two rows, or lies in the row of a node on its way to a bar. No two nodes ever share a stretch of
a row or of a riser, and nothing but level wires crosses a column where something stands: so tags have their room, and
lines that cross are never joined.
"""

from functools import lru_cache
from itertools import count

from meterlink.circuit.parts import Circuit, Part
from meterlink.circuit.picture.chains import Chain, Skeleton, skeleton
from meterlink.circuit.picture.grid import Grid
from meterlink.circuit.picture.places import LAST, Across, Bar, Layout, Level, Stop, Tie, bar_place

_COLUMN_COST = (4.0, 7.0, 14.0)
"""How many rows further down something may stand before another column is opened; a phone is narrow and scrolls."""


@lru_cache(maxsize=8)
def layout(circuit: Circuit) -> Layout:
    """Find every part and node its place. Marks do not move them, so a circuit's places are found once."""
    divided = skeleton(circuit)
    plan = _Plan(divided)
    left = list(divided.links)
    for chain in divided.chains:
        plan.place_chain(chain)
        within = [part for part in left if set(part.nodes) <= set(chain.nodes)]
        for part in sorted(within, key=lambda each: chain.span(*each.nodes)):
            plan.place_link(part)
            left.remove(part)
    for part in left:
        plan.place_link(part)
    return plan.finished(divided.ties)


class _Plan:
    """The picture while it is planned."""

    def __init__(self, divided: Skeleton) -> None:
        self._bars = divided.bars
        self._bar_at = {node: index for index, node in enumerate(divided.bars)}
        self._drops: dict[str, list[Part]] = {}
        for part in divided.drops:
            node = part.tail if part.head in self._bar_at else part.head
            self._drops.setdefault(node, []).append(part)
        self._branching = {node for part in divided.links for node in part.nodes}
        self._branching |= {chain.parent for chain in divided.chains if chain.parent is not None}
        self._columns = 1
        self._grid = Grid()

    def place_chain(self, chain: Chain) -> None:
        """Find the column and row for a chain: near its parent, in few columns, and low only where it must."""
        first = 0
        if chain.parent is not None:
            first = self._grid.places[chain.parent][0] + 1
        best: tuple[float, Grid, int] | None = None
        for column in range(first, max(self._columns, first) + 1):
            found = self._try_chain(chain, column)
            if found is not None:
                cost = self._column_cost(column) + found[0]
                if best is None or cost < best[0]:
                    best = (cost, found[1], column)
        assert best is not None  # noqa: S101 - in a column of its own, below everything, there is always room
        self._grid = best[1]
        self._columns = max(self._columns, best[2] + 1)

    def _column_cost(self, column: int) -> float:
        return _COLUMN_COST[min(column, len(_COLUMN_COST)) - 1] if column >= self._columns else 0.0

    def _try_chain(self, chain: Chain, column: int) -> tuple[float, Grid] | None:
        """Place a chain in a column as high as there is room; with what it costs in rows."""
        parent_row = self._grid.places[chain.parent][1] if chain.parent is not None else 0
        for start in range(parent_row, self._grid.height + 2):
            way = None if chain.parent is None else self._grid.way(chain.parent, start, (column, 0))
            if chain.parent is not None and way is None:
                continue
            grid = self._grid.copy()
            if chain.parent is not None and way is not None:
                grid.lead(chain.parent, way)
            row = self._fill(grid, chain, column, start)
            if row is not None:
                grown = grid.height - self._grid.height
                return (row - parent_row - 1) + 0.5 * grown, grid
        return None

    def _fill(self, grid: Grid, chain: Chain, column: int, start: int) -> int | None:
        """Place a chain's nodes one below the other; the row of the first, or None where something is in the way."""
        above, first = start, None
        upper = chain.parent
        for part, node in chain.rungs:
            row = start if part is None else above + 1
            while not self._place_node(grid, node, column, row):
                row += 1
                if not grid.column_is_free(column, above, row):
                    return None
            if not grid.column_is_free(column, above, row):
                return None
            if part is not None and upper is not None:
                grid.stand(part, column, above, row, upper)
            grid.columns.setdefault(column, []).append((row, row))
            first = row if first is None else first
            above, upper = row, node
        return first

    def _place_node(self, grid: Grid, node: str, column: int, row: int) -> bool:
        """Put a node there with all parts that lead from it to a bar, if its row has room for what will leave it."""
        drops = self._drops.get(node, [])
        here: Across = (column, 0)
        reach = here if node not in self._branching else (column, LAST)
        if drops:
            reach = bar_place(self._bar_of(drops[0]))
        if not grid.level_is_free(row, here, reach, node):
            return False
        if not grid.column_is_free(column, row, row):
            return False
        grid.take_level(row, here, reach, node)
        grid.places[node] = (column, row)
        at = row
        for index, part in enumerate(drops):
            bar = self._bar_of(part)
            if index:
                ways = ((below, grid.way(node, below, bar_place(bar))) for below in count(at + 1))
                at, way = next((below, way) for below, way in ways if way is not None)
                grid.lead(node, way)
            grid.levels.append(Level(part, at, node, bar))
        return True

    def _bar_of(self, part: Part) -> int:
        return self._bar_at[part.tail if part.tail in self._bar_at else part.head]

    def place_link(self, part: Part) -> None:
        """Stand a part between two placed nodes, right of both or below one of them."""
        one, other = part.nodes
        first = max(self._grid.places[one][0], self._grid.places[other][0])
        best: tuple[float, Grid, int] | None = None
        for column in range(first, max(self._columns, first + 1) + 1):
            cost = self._column_cost(column)
            for below in range(2 * self._grid.height + 6):
                if best is not None and cost + below >= best[0]:
                    break
                grid = self._try_link(part, column, below)
                if grid is not None:
                    best = (cost + below, grid, column)
                    break
        assert best is not None  # noqa: S101 - in a column of its own, below everything, there is always room
        self._grid = best[1]
        self._columns = max(self._columns, best[2] + 1)

    def _try_link(self, part: Part, column: int, below: int) -> Grid | None:
        """Place a link whose ends leave their nodes so many rows below them, both together."""
        one, other = part.nodes
        for offset in range(below + 1):
            row, other_row = self._grid.places[one][1] + offset, self._grid.places[other][1] + below - offset
            top, bottom = sorted((row, other_row))
            if top == bottom or not self._grid.column_is_free(column, top, bottom):
                continue
            way = self._grid.way(one, row, (column, 0))
            if way is None or self._grid.way(other, other_row, (column, 0)) is None:
                continue
            grid = self._grid.copy()
            grid.lead(one, way)
            other_way = grid.way(other, other_row, (column, 0))
            if other_way is not None:
                grid.lead(other, other_way)
                grid.stand(part, column, top, bottom, one if row == top else other)
                return grid
        return None

    def finished(self, ties: tuple[Part, ...]) -> Layout:
        """Put together what was placed, with the bars' ends and the parts between bars below."""
        grid, row = self._grid, max(1, self._grid.height)
        placed, bars = [], []
        for index, node in enumerate(self._bars):
            for part in ties:
                left, right = sorted(self._bar_at[each] for each in part.nodes)
                if left == index:
                    placed.append(Tie(part, row, left, right))
                    row += 2
            reached = [level.row for level in grid.levels if level.bar == index]
            reached += [tie.row + (tie.right == index) for tie in placed if index in (tie.left, tie.right)]
            bars.append(Bar(node, min(reached, default=row), row))
            row += 1
        risers: dict[int, int] = {}
        for column, index in grid.risers:
            risers[column] = max(risers.get(column, 0), index)
        return Layout(
            rows=row,
            columns=self._columns,
            risers=risers,
            stops=tuple(Stop(node, column, row) for node, (column, row) in grid.places.items()),
            wires=tuple(grid.wires()),
            uprights=tuple(grid.uprights),
            levels=tuple(grid.levels),
            ties=tuple(placed),
            bars=tuple(bars),
        )
