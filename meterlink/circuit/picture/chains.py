"""How a circuit falls into chains: one main chain from the supply down, branches, links across, and the return bars."""

from collections import deque
from collections.abc import Callable, Iterable, Iterator, Set
from dataclasses import dataclass, field

from meterlink.circuit.parts import Circuit, Kind, Part

_MOST_STEPS = 4000
"""Steps in which the longest path is looked for; no circuit that people draw needs so many."""

_MOST_BARS = 3
"""Return nodes that may be drawn as bars, besides the reference."""

_BAR_ENDS = 3
"""Parts that end at a return node from which on it is drawn as a bar."""

Score = tuple[int, bool, int]


@dataclass(slots=True, eq=False)
class Chain:
    """Nodes in a row, each joined to the next by a part."""

    nodes: list[str]
    parts: list[Part]
    """Between the nodes; where there is a parent, one more in front: the part that comes from it."""
    parent: str | None = None
    """The node of an earlier chain that this one leaves; None: it begins by itself."""

    @property
    def rungs(self) -> list[tuple[Part | None, str]]:
        """Each node with the part above it; none above the first of a chain that begins by itself."""
        above = self.parts if self.parent is not None else [None, *self.parts]
        return list(zip(above, self.nodes, strict=True))

    def span(self, one: str, other: str) -> int:
        """How many steps lie between two of its nodes."""
        return abs(self.nodes.index(one) - self.nodes.index(other))


@dataclass(frozen=True, slots=True)
class Skeleton:
    """A circuit's chains, and what joins them. Every node is in one chain or is a bar, every part in one place."""

    chains: tuple[Chain, ...]
    """The main one first; none before its parent."""
    bars: tuple[str, ...]
    """Nodes in which currents gather on their way back: the reference last."""
    drops: tuple[Part, ...]
    """Parts from a chain's node to a bar."""
    links: tuple[Part, ...]
    """Other parts between two chains' nodes."""
    ties: tuple[Part, ...]
    """Parts between two bars."""


def skeleton(circuit: Circuit) -> Skeleton:
    """Divide a circuit. Any circuit can be divided; the same one always falls into the same chains."""
    growth = _Growth(circuit)
    chains = growth.chains()
    bars = growth.bars
    used = {part.id for chain in chains for part in chain.parts}
    rest = [part for part in circuit.parts if part.id not in used]
    ends = {part.id: sum(node in bars for node in part.nodes) for part in rest}
    return Skeleton(
        chains=tuple(chains),
        bars=bars,
        drops=tuple(part for part in rest if ends[part.id] == 1),
        links=tuple(part for part in rest if ends[part.id] == 0),
        ties=tuple(part for part in rest if ends[part.id] == 2),
    )


def far_end(part: Part, node: str) -> str:
    """The node at the other end."""
    return part.head if node == part.tail else part.tail


def chainable(part: Part) -> bool:
    """Whether a part continues a chain: it carries, and is not only there by mistake."""
    return part.kind.carries and (part.conducts or part.kind is not Kind.JUMPER)


@dataclass
class _Growth:
    """The chains while they grow."""

    circuit: Circuit
    bars: tuple[str, ...] = field(init=False)
    _near: dict[str, list[Part]] = field(init=False)
    _back: Set[str] = field(init=False)
    """Nodes on the way back: joined to the reference by what conducts, and not so to a live pole."""
    _placed: dict[str, Chain | None] = field(init=False)
    _chains: list[Chain] = field(default_factory=list)

    def __post_init__(self) -> None:
        self._near = {node: [] for node in self.circuit.nodes}
        for part in self.circuit.parts:
            for node in dict.fromkeys(part.nodes):
                self._near[node].append(part)
        poles = [self._live_pole(part) for part in self.circuit.parts if part.kind.supplies]
        self._back = self._joined([self.circuit.reference]).keys() - self._joined(poles).keys()
        self.bars = self._bars()
        self._placed = dict.fromkeys(self.bars)

    def chains(self) -> list[Chain]:
        """Grow chains until every node has its place."""
        while len(self._placed) < len(self._near):
            if not self._branch(chainable, across=False) and not self._branch(lambda part: True, across=True):
                start = self._start()
                self._add(Chain([start], []), self._longest(start))
        return self._chains

    def _live_pole(self, source: Part) -> str:
        return source.tail if source.head == self.circuit.reference else source.head

    def _joined(self, starts: Iterable[str]) -> dict[str, int]:
        """The nodes that what conducts at rest joins to some of these, in how many steps, the nearest first."""
        steps = dict.fromkeys(starts, 0)
        frontier = deque(steps)
        while frontier:
            node = frontier.popleft()
            for part in self._near[node]:
                far = far_end(part, node)
                if part.kind.carries and part.conducts and far not in steps:
                    steps[far] = steps[node] + 1
                    frontier.append(far)
        return steps

    def _bars(self) -> tuple[str, ...]:
        """The reference, and the busiest of the other nodes on the way back, the furthest from it first."""
        reference = self.circuit.reference
        away = self._joined([reference])
        busy = [node for node in away if node in self._back - {reference} and len(self._near[node]) >= _BAR_ENDS]
        busiest = sorted(busy, key=lambda node: -len(self._near[node]))[:_MOST_BARS]
        return (*sorted(busiest, key=lambda node: -away[node]), reference)

    def _start(self) -> str:
        """Where a chain begins that hangs on no other: at a live pole, or at the first node left."""
        poles = (self._live_pole(part) for part in self.circuit.parts if part.kind.supplies)
        return next(node for node in (*poles, *self.circuit.nodes) if node not in self._placed)

    def _branch(self, fits: Callable[[Part], bool], *, across: bool) -> bool:
        """Let one chain grow, or a new one leave it, at the first place where a part leads to a node without a place.

        Args:
            fits: which parts may be the first.
            across: whether that part may lead from the live side to the way back.
        """
        for node in [node for chain in self._chains for node in chain.nodes]:
            paths = []
            for part in self._near[node]:
                far = far_end(part, node)
                same_side = (node in self._back) == (far in self._back)
                if far not in self._placed and fits(part) and (across or same_side):
                    score, path = self._scored(far)
                    paths.append(((score[0] + self._step(node, far), *score[1:]), [part, *path]))
            if paths:
                path = max(paths, key=lambda each: each[0])[1]
                chain = self._placed[node]
                if chain is not None and chain.nodes[-1] == node:
                    self._add(chain, path)
                else:
                    self._add(Chain([], [], parent=node), path)
                return True
        return False

    def _add(self, chain: Chain, path: list[Part]) -> None:
        if chain not in self._chains:
            self._chains.append(chain)
            self._placed.update(dict.fromkeys(chain.nodes, chain))
        for part in path:
            node = far_end(part, chain.nodes[-1] if chain.nodes else chain.parent or "")
            chain.nodes.append(node)
            chain.parts.append(part)
            self._placed[node] = chain

    def _longest(self, start: str) -> list[Part]:
        return self._scored(start)[1]

    def _scored(self, start: str) -> tuple[Score, list[Part]]:
        """The best path through nodes without a place: most steps in the order of the file, which is the drawing's.

        Length alone would climb back up a neighbouring branch wherever the two are joined below, so a step back counts
        against it.
        """
        best: tuple[Score, list[Part]] = ((0, self._loaded(start), 0), [])
        for steps, (path, node, forward) in enumerate(self._paths(start)):
            score = (forward, self._loaded(node), len(path))
            if score > best[0]:
                best = (score, path)
            if steps >= _MOST_STEPS:
                break
        return best

    def _paths(self, start: str) -> Iterator[tuple[list[Part], str, int]]:
        """Every simple path from a node, in the order of the file; its end, and its steps forward less those back."""
        stack: list[tuple[list[Part], str, int, frozenset[str]]] = [([], start, 0, frozenset([start]))]
        while stack:
            path, node, forward, seen = stack.pop()
            yield path, node, forward
            for part in reversed(self._near[node]):
                far = far_end(part, node)
                if (
                    chainable(part)
                    and far not in seen
                    and far not in self._placed
                    and (far in self._back) == (start in self._back)
                ):
                    stack.append(([*path, part], far, forward + self._step(node, far), seen | {far}))

    def _step(self, node: str, far: str) -> int:
        return 1 if self.circuit.number[far] > self.circuit.number[node] else -1

    def _loaded(self, node: str) -> bool:
        return any(part.kind.is_load for part in self._near[node])
