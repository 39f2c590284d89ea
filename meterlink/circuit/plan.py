"""The order of questions that finds one thing among many in the least expected time.

Each question sorts what may be wrong into classes: those that would read alike. The best first question minimises its
own cost plus what is expected for the class that comes out: C(S) = min over q of c(q) P(S) + sum of C(classes of S).
Worked out by dynamic programming over the sets that can be reached. On a plain chain these are its stretches, and this
is the optimal alphabetic tree with unequal costs, C(i,j) = min over k of c(k) P(i..j) + C(i,k) + C(k+1,j). Where there
are too many sets, what is left is estimated by the greedy rule that cuts the most between different answers per minute
(equivalence class edge cutting, Golovin, Krause and Ray, 2010).
"""

from collections.abc import Sequence
from dataclasses import dataclass

MOST_WORK = 4_000
"""Questions weighed at most before what is left is estimated."""

_SAME = 1e-12
"""Costs closer than this share are the same: the question that comes first is taken, on every machine."""


@dataclass(frozen=True, slots=True)
class Option:
    """A question that can be asked."""

    cost: float
    """In minutes, above 0."""
    classes: tuple[int, ...]
    """For each thing that may be wrong, in which class it puts it: a small whole number."""
    surcharges: tuple[float, ...] = ()
    """By class: what the outcome costs besides, in minutes; none where absent."""


@dataclass(frozen=True, slots=True)
class Choice:
    """The question to ask first."""

    option: int
    """Its place among the options."""
    expected: float
    """Minutes until the answer is known, on average."""


def best_choice(
    weights: Sequence[float], answers: Sequence[int], options: Sequence[Option], *, most_work: int = MOST_WORK
) -> Choice | None:
    """Choose the first question; None where none tells anything apart that needs to be.

    Args:
        weights: of each thing that may be wrong; they need not add up to 1.
        answers: of each thing, which answer it stands for: things of one answer need not be told apart.
        options: the questions.
        most_work: how many questions may be weighed exactly.
    """
    planner = _Planner(weights, answers, options, most_work)
    everything = (1 << len(weights)) - 1
    cost, option = planner.solve(everything)
    if option is None:
        return None
    total = planner.weight(everything)
    return Choice(option, cost / total if total else 0.0)


class _Planner:
    """Works sets out that are written as bits, one for each thing that may be wrong."""

    def __init__(
        self, weights: Sequence[float], answers: Sequence[int], options: Sequence[Option], most_work: int
    ) -> None:
        self._weights = weights
        self._answer = list(answers)
        together: dict[int, int] = {}
        for index, answer in enumerate(answers):
            together[answer] = together.get(answer, 0) | 1 << index
        self._same = [together[answer] for answer in answers]
        """For each thing, all things of its answer."""
        self._splits: list[tuple[float, list[tuple[int, float]]]] = []
        for option in options:
            classes = []
            for each in sorted(set(option.classes)):
                mask = sum(1 << index for index, found in enumerate(option.classes) if found == each)
                classes.append((mask, option.surcharges[each] if option.surcharges else 0.0))
            self._splits.append((option.cost, classes))
        # The cheap ones first, so that the dear ones are cut off early; of equal ones, the first.
        self._order = sorted(range(len(options)), key=lambda index: options[index].cost)
        self._left = most_work
        self._sums: dict[int, float] = {0: 0.0}
        self._cuts: dict[int, float] = {}
        self._known: dict[int, tuple[float, int | None]] = {}

    def weight(self, things: int) -> float:
        """The weight of a set."""
        if things not in self._sums:
            total, rest = 0.0, things
            while rest:
                lowest = rest & -rest
                total += self._weights[lowest.bit_length() - 1]
                rest ^= lowest
            self._sums[things] = total
        return self._sums[things]

    def solve(self, things: int) -> tuple[float, int | None]:
        """The expected cost for a set, times its weight, and the first question; None where nothing helps or need."""
        if not things & ~self._same[(things & -things).bit_length() - 1]:
            return 0.0, None
        if things not in self._known:
            self._known[things] = self._exact(things) if self._left > 0 else self._greedy(things)
        return self._known[things]

    def _exact(self, things: int) -> tuple[float, int | None]:
        best: float | None = None
        chosen: int | None = None
        weight = self.weight(things)
        for index in self._order:
            cost, classes = self._splits[index]
            if best is not None and cost * weight >= best:
                break
            parts = [(things & mask, surcharge) for mask, surcharge in classes if things & mask]
            if len(parts) < 2:
                continue
            self._left -= 1
            total = cost * weight
            for part, surcharge in parts:
                total += surcharge * self.weight(part) + self.solve(part)[0]
                if best is not None and total >= best:
                    break
            if best is None or total < best * (1 - _SAME):
                best, chosen = total, index
        return (best or 0.0), chosen

    def _greedy(self, things: int) -> tuple[float, int | None]:
        chosen, most = None, 0.0
        whole = self._edges(things)
        for index, (cost, classes) in enumerate(self._splits):
            cut = whole
            for mask, _ in classes:
                cut -= self._edges(things & mask)
            if cut / cost > most * (1 + _SAME):
                chosen, most = index, cut / cost
        if chosen is None:
            return 0.0, None
        cost, classes = self._splits[chosen]
        total = cost * self.weight(things)
        for mask, surcharge in classes:
            if things & mask not in (0, things):
                total += surcharge * self.weight(things & mask) + self.solve(things & mask)[0]
        return total, chosen

    def _edges(self, things: int) -> float:
        """The weight of all pairs in a set whose answers differ."""
        if things not in self._cuts:
            total, sums, rest = 0.0, dict[int, float](), things
            while rest:
                lowest = rest & -rest
                index = lowest.bit_length() - 1
                total += self._weights[index]
                sums[self._answer[index]] = sums.get(self._answer[index], 0.0) + self._weights[index]
                rest ^= lowest
            same = 0.0
            for each in sums.values():
                same += each * each
            self._cuts[things] = max(total * total - same, 0.0)
        return self._cuts[things]
