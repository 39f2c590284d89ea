"""The order of questions against published trees, trees worked out here by other means, and bounds from the literature.

`data/check-values-planning.json` says of each figure what it is, where it comes from, and whether it was seen printed
there ("published"), recalled ("memory") or worked out from a stated formula ("common practice"). Tolerances are
absolute. A chain has one open element; a probe after element k tells whether it lies up to k, or beyond.
"""

import heapq
import json
import math
import random
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache
from itertools import product
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterlink.circuit.plan import Choice, Option, best_choice

Found = float | Sequence[float]


@dataclass(frozen=True, slots=True)
class Entry:
    """One figure."""

    id: str
    quantity: str
    inputs: Mapping[str, Any]
    expected: Any
    tolerance: float
    """Absolute."""
    unit: str
    source: str
    provenance: str

    def numbers(self, name: str) -> list[float]:
        """A list among the inputs."""
        return [float(each) for each in self.inputs[name]]


_DATA = Path(__file__).parent / "data" / "check-values-planning.json"
ENTRIES = [Entry(**each) for each in json.loads(_DATA.read_text(encoding="utf-8"))]
BY_ID = {entry.id: entry for entry in ENTRIES}


def probes(count: int, costs: Sequence[float] = ()) -> list[Option]:
    """The probes of a chain of so many elements, one after each but the last; 1 each unless told."""
    return [
        Option(costs[place] if costs else 1.0, tuple(int(element > place) for element in range(count)))
        for place in range(count - 1)
    ]


def planned(
    weights: Sequence[float], options: Sequence[Option], answers: Sequence[int] = (), most_work: int | None = None
) -> Choice:
    """The product's choice, where there is one; each thing has an answer of its own unless told."""
    given = answers or range(len(weights))
    choice = (
        best_choice(weights, given, options)
        if most_work is None
        else best_choice(weights, given, options, most_work=most_work)
    )
    assert choice is not None
    return choice


def probe_counts(weights: Sequence[float], options: Sequence[Option]) -> list[int]:
    """How many questions lead to each thing, where the product is asked anew after every answer."""
    counts = [0] * len(weights)
    waiting = [list(range(len(weights)))]
    while waiting:
        things = waiting.pop()
        here = [replace(each, classes=tuple(each.classes[thing] for thing in things)) for each in options]
        choice = best_choice([weights[thing] for thing in things], things, here)
        if choice is None:
            continue
        parts: dict[int, list[int]] = {}
        for thing, found in zip(things, here[choice.option].classes, strict=True):
            counts[thing] += 1
            parts.setdefault(found, []).append(thing)
        waiting += parts.values()
    return counts


# Published and worked out figures


def uniform(entry: Entry) -> Found:
    """The mean, and the most."""
    count = int(entry.inputs["n"])
    counts = probe_counts([1 / count] * count, probes(count))
    mean = planned([1 / count] * count, probes(count)).expected
    assert sum(counts) / count == pytest.approx(mean)
    return [mean, max(counts)]


def chain(entry: Entry) -> Found:
    weights = entry.numbers("p")
    costs = entry.numbers("cost_after_element") if "cost_after_element" in entry.inputs else ()
    return planned(weights, probes(len(weights), costs)).expected


def chain_depths(entry: Entry) -> Found:
    weights = entry.numbers("p")
    return probe_counts(weights, probes(len(weights)))


def alphabetic(entry: Entry) -> Found:
    weights = entry.numbers("weights")
    return sum(weights) * planned(weights, probes(len(weights))).expected


def _comparisons(keys: Sequence[float], gaps: Sequence[float]) -> tuple[list[float], list[Option]]:
    """A search for a key or a gap between keys: each comparison says less, this one, or more."""
    weights = [gaps[0]]
    for key, gap in zip(keys, gaps[1:], strict=True):
        weights += [key, gap]
    middles = range(1, len(weights), 2)
    return weights, [
        Option(1.0, tuple((thing > middle) - (thing < middle) + 1 for thing in range(len(weights))))
        for middle in middles
    ]


def search_tree(entry: Entry) -> Found:
    """A search tree is a plan whose questions have three answers.

    Weights of hits only are no probabilities. The textbook counts the visit to a gap's own leaf as a comparison too, in
    its formula for the cost and beside its figure 15.9 (depth + 1 for keys and gaps alike; from memory).
    """
    keys = entry.numbers("freq" if "freq" in entry.inputs else "p")
    gaps = entry.numbers("q") if "q" in entry.inputs else [0.0] * (len(keys) + 1)
    weights, options = _comparisons(keys, gaps)
    return sum(weights) * planned(weights, options).expected + sum(gaps)


Check = Callable[[Entry], Found]
CHECKS: Mapping[str, Check] = {
    "H-uniform-*": uniform,
    "H-chain8": chain,
    "H-chain8b": chain,
    "H-chain8-depths": chain_depths,
    "H-cost8": chain,
    "H-cost4": chain,
    "H-cost-uniform8": chain,
    "H-alpha-english": alphabetic,
    "H-obst-*": search_tree,
}
"""Which check an entry has: by its id, or by how that begins where a star ends the name. None is a catch-all."""

BELOW: Mapping[str, str] = {
    **{f"H-entropy-{n}": f"H-uniform-{n}" for n in (2, 3, 4, 5, 6, 7, 8, 9, 10, 12, 16, 24)},
    "H-chain8-entropy": "H-chain8",
    "H-chain8b-entropy": "H-chain8b",
    "H-entropy-english": "H-alpha-english",
    "H-huff-english": "H-alpha-english",
}
"""What no plan of a chain can go below, and of which chain: its entropy, and the tree that need not keep the order."""

_SIMPLER = (
    "a probe that is dead in 5 % where it is good and live in 1 % where it is dead: the product's touches are volts, "
    "which miss in 5 %, float, stray and lie beside their prediction, and its suspects are more than the opens"
)
_NO_BITS = "the product weighs minutes to the answer, never bits; and the noise is that of H-bayes-dead"
FACTS_NOT_USED: Mapping[str, str] = {
    "H-bayes-dead": _SIMPLER,
    "H-bayes-dead2": _SIMPLER,
    "H-bayes-live": _SIMPLER,
    "H-bayes-weighted": _SIMPLER,
    **{f"H-ig-{place}": _NO_BITS for place in range(1, 8)},
}
"""Why nothing in the product can be held to a fact."""


def _checks_of(entry: Entry) -> list[str]:
    if entry.id in FACTS_NOT_USED or entry.id in BELOW:
        return []
    return [name for name in CHECKS if (entry.id.startswith(name[:-1]) if name.endswith("*") else entry.id == name)]


def test_every_figure_has_exactly_one_check_or_is_a_bound_or_is_listed_as_not_used() -> None:
    assert len(BY_ID) == len(ENTRIES) == 50
    assert all(entry.id.startswith("H-") for entry in ENTRIES)
    assert {entry.id: len(_checks_of(entry)) for entry in ENTRIES} == {
        entry.id: 0 if entry.id in FACTS_NOT_USED or entry.id in BELOW else 1 for entry in ENTRIES
    }
    assert {name for entry in ENTRIES for name in _checks_of(entry)} == set(CHECKS)
    assert not set(BELOW) & set(FACTS_NOT_USED)
    assert set(BELOW) | set(BELOW.values()) <= set(BY_ID)


def test_the_facts_that_nothing_can_be_held_to_are_these() -> None:
    assert list(FACTS_NOT_USED) == [
        "H-bayes-dead",
        "H-bayes-dead2",
        "H-bayes-live",
        "H-bayes-weighted",
        "H-ig-1",
        "H-ig-2",
        "H-ig-3",
        "H-ig-4",
        "H-ig-5",
        "H-ig-6",
        "H-ig-7",
    ]
    assert set(FACTS_NOT_USED) <= set(BY_ID)


@pytest.mark.parametrize("entry", [entry for entry in ENTRIES if _checks_of(entry)], ids=lambda entry: entry.id)
def test_reproduces(entry: Entry) -> None:
    (name,) = _checks_of(entry)
    expected = entry.expected if isinstance(entry.expected, list) else [entry.expected]
    found = CHECKS[name](entry)
    pairs = zip(found if isinstance(found, Sequence) else [found], expected, strict=True)
    assert max(abs(each - of) - 1e-12 * abs(of) for each, of in pairs) <= entry.tolerance, entry.source


@pytest.mark.parametrize("bound", BELOW)
def test_no_plan_goes_below_what_is_known_to_be_least(bound: str) -> None:
    """Entropy <= unordered <= order-keeping < entropy + 2 (Gilbert and Moore, 1959; from memory)."""
    entry, of = BY_ID[bound], BY_ID[BELOW[bound]]
    (name,) = _checks_of(of)
    found = CHECKS[name](of)
    mean = found[0] if isinstance(found, Sequence) else found
    assert entry.expected - entry.tolerance <= mean < entry.expected + 2


@pytest.mark.parametrize(
    ("entry", "first"),
    # After which element to probe first, or at which key to begin: the words beside the figures, where nothing ties.
    [("H-chain8b", {5}), ("H-cost8", {2}), ("H-cost4", {1, 3}), ("H-cost-uniform8", {3, 5})],
)
def test_begins_where_the_figures_say(entry: str, first: set[int]) -> None:
    weights = BY_ID[entry].numbers("p")
    costs = BY_ID[entry].numbers("cost_after_element") if "cost_after_element" in BY_ID[entry].inputs else ()
    assert planned(weights, probes(len(weights), costs)).option + 1 in first


@pytest.mark.parametrize(("entry", "root"), [("H-obst-5", 2), ("H-obst-7", 5)])
def test_begins_at_the_root_of_the_textbook_s_tree(entry: str, root: int) -> None:
    """Introduction to Algorithms, 3rd ed., figure 15.9 and exercise 15.5-2 (the latter's root from memory)."""
    weights, options = _comparisons(BY_ID[entry].numbers("p"), BY_ID[entry].numbers("q"))
    assert planned(weights, options).option + 1 == root


# Chains, worked out here over their stretches


@dataclass(frozen=True, slots=True)
class Chain:
    """A chain of elements, one of them open."""

    weights: tuple[float, ...]
    costs: tuple[float, ...]
    """Of the probe after each element but the last."""

    @property
    def options(self) -> list[Option]:
        """Its probes, in the order of the chain."""
        return probes(len(self.weights), self.costs)

    def trees(self, first: int, last: int) -> Iterator[float]:
        """The cost of every tree of probes over a stretch, one by one."""
        if first == last:
            yield 0.0
        for split in range(first, last):
            cost = self.costs[split] * sum(self.weights[first : last + 1])
            for left, right in product(list(self.trees(first, split)), list(self.trees(split + 1, last))):
                yield cost + left + right

    def least(self, answers: Sequence[int]) -> float:
        """The cost of the best tree, each stretch after those within it; one of a single answer needs none."""
        count = len(self.weights)
        best = [[0.0] * count for _ in range(count)]
        stretches = [(first, last) for last in range(1, count) for first in reversed(range(last))]
        for first, last in stretches:
            if len(set(answers[first : last + 1])) > 1:
                weight = sum(self.weights[first : last + 1])
                best[first][last] = min(
                    self.costs[split] * weight + best[first][split] + best[split + 1][last]
                    for split in range(first, last)
                )
        return best[0][-1] / sum(self.weights)

    def walked(self) -> float:
        """The cost of probing from the supply on until a probe is dead."""
        gone, total = 0.0, 0.0
        for place, weight in enumerate(self.weights):
            gone += self.costs[place] if place < len(self.costs) else 0.0
            total += weight * gone
        return total / sum(self.weights)


def random_chain(chance: random.Random) -> Chain:
    """2 to 12 elements whose weights and costs differ by up to a hundredfold."""
    count = chance.randint(2, 12)
    return Chain(
        tuple(10 ** chance.uniform(-2, 0) for _ in range(count)),
        tuple(10 ** chance.uniform(-1, 1) for _ in range(count - 1)),
    )


@pytest.mark.parametrize("block", range(10))
def test_500_random_chains_cost_what_the_best_tree_costs(block: int) -> None:
    chance = random.Random(f"chains {block}")
    for _ in range(50):
        one = random_chain(chance)
        count = len(one.weights)
        least = one.least(range(count))
        if count <= 6:
            trees = list(one.trees(0, count - 1))
            assert len(trees) == math.comb(2 * (count - 1), count - 1) // count  # Catalan's number
            assert least == pytest.approx(min(trees) / sum(one.weights), rel=1e-12)
        order = chance.sample(range(count - 1), count - 1)
        options = [one.options[place] for place in order]
        choice = planned(one.weights, options)
        assert choice.expected == pytest.approx(least, rel=1e-9)
        split = order[choice.option] + 1
        left = Chain(one.weights[:split], one.costs[: split - 1])
        right = Chain(one.weights[split:], one.costs[split:])
        rest = sum(part.least(range(len(part.weights))) * sum(part.weights) for part in (left, right))
        assert one.costs[split - 1] + rest / sum(one.weights) == pytest.approx(least, rel=1e-9)
        assert choice.expected <= one.walked() * (1 + 1e-9)


@pytest.mark.parametrize("block", range(4))
def test_what_has_the_same_answer_is_not_told_apart(block: int) -> None:
    chance = random.Random(f"answers {block}")
    for _ in range(50):
        one = random_chain(chance)
        answers = [chance.randrange(3) for _ in one.weights]
        if len(set(answers)) > 1:
            found = planned(one.weights, one.options, answers)
            assert found.expected == pytest.approx(one.least(answers), rel=1e-9)


def test_the_scale_of_the_weights_makes_no_difference() -> None:
    one = random_chain(random.Random(1))
    scaled = [1000 * each for each in one.weights]
    same = planned(one.weights, one.options)
    assert planned(scaled, one.options).option == same.option
    assert planned(scaled, one.options).expected == pytest.approx(same.expected)


# Any questions


@dataclass(frozen=True, slots=True)
class Things:
    """Things that may be wrong, and questions of any kind."""

    weights: tuple[float, ...]
    answers: tuple[int, ...]
    options: tuple[Option, ...]

    def parts(self, option: Option, things: frozenset[int]) -> list[tuple[float, frozenset[int]]]:
        """What a question leaves of a set, each with what that outcome costs besides."""
        found = sorted({option.classes[thing] for thing in things})
        return [
            (
                option.surcharges[each] if option.surcharges else 0.0,
                frozenset(thing for thing in things if option.classes[thing] == each),
            )
            for each in found
        ]

    def weight(self, things: frozenset[int]) -> float:
        """Of a set."""
        return sum(self.weights[thing] for thing in things)

    def trees(self, things: frozenset[int]) -> Iterator[float]:
        """The cost of every decision tree that asks until the answer is known or nothing tells more apart."""
        splitting = [each for each in self.options if len(self.parts(each, things)) > 1]
        if len({self.answers[thing] for thing in things}) < 2 or not splitting:
            yield 0.0
            return
        for option in splitting:
            parts = self.parts(option, things)
            extra = sum(surcharge * self.weight(part) for surcharge, part in parts)
            for costs in product(*(list(self.trees(part)) for _, part in parts)):
                yield option.cost * self.weight(things) + extra + sum(costs)


def random_things(chance: random.Random) -> Things:
    """Up to six things, and up to five questions that sort them into up to three classes, some with surcharges."""
    count = chance.randint(2, 6)
    options = []
    for _ in range(chance.randint(1, 5)):
        classes = tuple(chance.randrange(3) for _ in range(count))
        surcharges = tuple(chance.choice((0.0, 0.5, 2.0)) for _ in range(3)) if chance.random() < 0.5 else ()
        options.append(Option(10 ** chance.uniform(-1, 1), classes, surcharges))
    return Things(
        tuple(chance.uniform(0.05, 1) for _ in range(count)),
        tuple(chance.randrange(count) for _ in range(count)),
        tuple(options),
    )


@pytest.mark.parametrize("block", range(10))
def test_random_questions_cost_what_the_best_of_all_decision_trees_costs(block: int) -> None:
    chance = random.Random(f"things {block}")
    asked = 0
    for _ in range(40):
        one = random_things(chance)
        everything = frozenset(range(len(one.weights)))
        least = min(one.trees(everything)) / one.weight(everything)
        choice = best_choice(one.weights, one.answers, one.options)
        assert (choice is None) is (least == 0)
        if choice is not None:
            asked += 1
            assert choice.expected == pytest.approx(least, rel=1e-9)
            option = one.options[choice.option]
            parts = one.parts(option, everything)
            rest = sum(extra * one.weight(part) + min(one.trees(part)) for extra, part in parts)
            assert option.cost + rest / one.weight(everything) == pytest.approx(least, rel=1e-9)
    assert asked > 20


def huffman(weights: Sequence[float]) -> float:
    """The mean length of the best prefix code: the two lightest are joined, again and again (Huffman, 1952)."""
    heap, total = list(weights), 0.0
    heapq.heapify(heap)
    while len(heap) > 1:
        joined = heapq.heappop(heap) + heapq.heappop(heap)
        total += joined
        heapq.heappush(heap, joined)
    return total / sum(weights)


@pytest.mark.parametrize("count", range(2, 8))
def test_where_every_question_can_be_asked_the_plan_is_the_best_prefix_code(count: int) -> None:
    options = [Option(1.0, tuple(bits >> thing & 1 for thing in range(count))) for bits in range(1, 1 << (count - 1))]
    for number in range(5):
        chance = random.Random(f"{count} {number}")
        weights = [10 ** chance.uniform(-2, 0) for _ in range(count)]
        found = planned(weights, options, most_work=1_000_000)
        assert found.expected == pytest.approx(huffman(weights), rel=1e-9)


# Surcharges, ties, nothing to ask


def test_an_outcome_s_surcharge_is_paid_as_often_as_it_comes_out() -> None:
    """By hand: a quarter of the time 2 minutes on top of 1."""
    options = [Option(1.0, (0, 0, 0, 1), (0.0, 2.0))]
    assert planned([1, 1, 1, 1], options, [0, 0, 0, 1]).expected == pytest.approx(1.5)


def test_of_two_questions_that_sort_alike_a_surcharge_decides() -> None:
    """By hand: 1 and a half of 1 are more than 1.4, and less than 1.6."""
    for cost, expected in ((1.4, (1, 1.4)), (1.6, (0, 1.5))):
        choice = planned([1, 1], [Option(1.0, (0, 1), (1.0, 0.0)), Option(cost, (0, 1))])
        assert choice.option == expected[0]
        assert choice.expected == pytest.approx(expected[1])


def test_of_equally_good_questions_the_first_is_asked() -> None:
    for count in (2, 4, 8):
        options = [option for option in probes(count) for _ in range(3)]
        assert planned([1] * count, options).option == 3 * (count // 2 - 1)
        assert planned([1] * count, options[::-1]).option == 3 * (count // 2 - 1)
    assert planned([1, 1, 1], probes(3)).option == 0
    assert planned([1, 1, 1], probes(3)[::-1]).option == 0


@pytest.mark.parametrize("most_work", [0, 4000])
def test_a_question_asked_twice_changes_nothing(most_work: int) -> None:
    chance = random.Random("twice")
    for _ in range(50):
        one = random_chain(chance)
        once = planned(one.weights, one.options, most_work=most_work)
        assert planned(one.weights, one.options * 2, most_work=most_work) == once


def test_nothing_is_asked_where_nothing_need_or_can_be_told_apart() -> None:
    assert best_choice([1], [0], []) is None
    assert best_choice([1, 1], [0, 0], probes(2)) is None
    assert best_choice([1, 1], [0, 1], []) is None
    assert best_choice([1, 1], [0, 1], [Option(1.0, (3, 3))]) is None
    assert best_choice([1, 1], [0, 1], [Option(1.0, (3, 3))], most_work=0) is None


def test_what_cannot_be_told_apart_does_not_stop_what_can() -> None:
    """By hand: the last two read alike everywhere; one probe parts them from the first."""
    choice = planned([1, 1, 1], [Option(2.0, (0, 1, 1)), Option(1.0, (0, 0, 0))])
    assert choice == Choice(0, 2.0)


# Over its budget


def entropy(weights: Sequence[float]) -> float:
    """In bits."""
    total = sum(weights)
    return -sum(each / total * math.log2(each / total) for each in weights)


_SHARES = st.floats(0.01, 1.0)
CHAINS = st.integers(2, 9).flatmap(
    lambda count: st.builds(
        Chain,
        st.tuples(*[_SHARES] * count),
        st.tuples(*[st.floats(0.1, 10.0)] * (count - 1)),
    )
)


@given(CHAINS, st.integers(0, 60))
def test_over_its_budget_a_plan_still_splits_and_stays_within_what_any_plan_costs(one: Chain, most_work: int) -> None:
    """Each question leaves less than there was, so none is reached by more than one less than there are things."""
    count = len(one.weights)
    choice = planned(one.weights, one.options, most_work=most_work)
    assert 0 <= choice.option < count - 1
    least = one.least(range(count))
    assert least * (1 - 1e-9) <= choice.expected <= sum(one.costs) * (1 + 1e-9)
    assert choice.expected >= one.costs[choice.option] * (1 - 1e-9)


@given(st.lists(_SHARES, min_size=2, max_size=40))
def test_by_the_greedy_rule_alone_a_chain_of_equal_costs_is_a_weight_balanced_tree(weights: list[float]) -> None:
    """Which takes less than 2 probes more than the entropy has bits (Horibe, 1977; from memory)."""
    choice = planned(weights, probes(len(weights)), most_work=0)
    left = sum(weights[: choice.option + 1])
    total = sum(weights)
    best = min(abs(total - 2 * sum(weights[: split + 1])) for split in range(len(weights) - 1))
    assert abs(total - 2 * left) <= best + 1e-6 * total
    assert entropy(weights) - 1e-9 <= choice.expected < entropy(weights) + 2


@cache
def _things(number: int) -> Things:
    return random_things(random.Random(f"greedy {number}"))


@given(st.integers(0, 300), st.integers(0, 8))
def test_over_its_budget_any_set_of_questions_is_still_asked_one_that_tells_apart(number: int, most_work: int) -> None:
    one = _things(number)
    everything = frozenset(range(len(one.weights)))
    trees = list(one.trees(everything))
    choice = best_choice(one.weights, one.answers, one.options, most_work=most_work)
    if choice is None:
        assert all(_apart(one, everything, option) == 0 for option in one.options)
        return
    assert len(one.parts(one.options[choice.option], everything)) > 1
    total = one.weight(everything)
    assert min(trees) * (1 - 1e-9) <= choice.expected * total <= max(trees) * (1 + 1e-9)


def _apart(one: Things, things: frozenset[int], option: Option) -> int:
    """How many pairs of different answers a question parts."""
    return sum(
        one.answers[a] != one.answers[b] and option.classes[a] != option.classes[b]
        for a in things
        for b in things
        if a < b
    )


def test_the_budget_bounds_the_work_of_a_large_set() -> None:
    """48 things and 60 questions of all kinds are more than can be weighed; the plan is still a good one.

    No question does more than halve 48 equal things, so no plan takes less than log2 48; one more is our own allowance.
    """
    chance = random.Random("large")
    options = [Option(1.0, tuple(chance.randrange(2) for _ in range(48))) for _ in range(60)]
    choice = planned([1.0] * 48, options)
    assert math.log2(48) <= choice.expected < math.log2(48) + 1
