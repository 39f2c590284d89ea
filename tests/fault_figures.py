"""How well faults are found: simulated faults on the shipped circuits, probes that miss and a meter that is off.

    python tests/fault_figures.py [faults]

For each circuit, faults are drawn as readily as the circuit's priors have them, every part's value from its span, the
meter's gain error from ±0.5 % and its counts from ±2; 5 % of the touches miss their point and show what leads in the
air do. The search is asked what to touch, reads, and goes on until it is sure or has nothing more to ask. A pair of
opens is found one after the other: what is named first is mended, and the search begins anew.

Beside it, on every open that leaves a point dead: the planned search, walking the circuit from the supply, and
half-splitting it. None of the three misses or is off, each pays the same minutes, and a mean counts an open as readily
as it happens. Whoever walks takes the points as the file has them, to the first dead one; whoever half-splits takes the
point with the most even number of opens before and behind it. Neither is asked for a proof; the planned search is.
Figures for one seed; nothing here is timed.
"""

import random
import sys
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from functools import cache
from itertools import islice
from math import log10

import click

from meterlink.circuit.dictionary import Dictionary, Measure, Question
from meterlink.circuit.evidence import Seen
from meterlink.circuit.fault import LEAKS, Fault, Faults, Kin, name_of, single_faults
from meterlink.circuit.load import load_circuit
from meterlink.circuit.parts import REST, Circuit
from meterlink.circuit.search import Finding, Search
from meterlink.circuit.solve import Bench, RestlessError, State, Values, chosen

CIRCUITS = (("start-up", REST), ("branched-chain", REST), ("two-stop-lift", "call-up"))
MISSES = 0.05
MOST_TOUCHES = 60
VISIBLE_V = 0.5
"""A fault counts as visible where some point that can be probed reads so much else than the sound circuit may, at any
level of its supply: a battery that is gone shows nowhere while the charger gives what a sound one would."""


@dataclass
class Figures:
    """What came out, for one circuit."""

    faults: int = 0
    right: int = 0
    wrong: list[str] = field(default_factory=list)
    unnamed: Counter[str] = field(default_factory=Counter)
    invisible: int = 0
    unproven: int = 0
    touches: list[int] = field(default_factory=list)
    minutes: list[float] = field(default_factory=list)
    pairs: int = 0
    pairs_right: int = 0
    pairs_wrong: list[str] = field(default_factory=list)

    def add(self, other: "Figures") -> None:
        """Add what another run came to."""
        for name in ("faults", "right", "invisible", "unproven", "pairs", "pairs_right"):
            setattr(self, name, getattr(self, name) + getattr(other, name))
        self.wrong += other.wrong
        self.unnamed += other.unnamed
        self.touches += other.touches
        self.minutes += other.minutes
        self.pairs_wrong += other.pairs_wrong


class Lift:
    """A circuit with true values and faults, and a meter that is read by a hand that may miss."""

    def __init__(self, bench: Bench, situation: str, rng: random.Random) -> None:
        self._bench, self._situation, self._rng = bench, situation, rng
        self._gain = rng.uniform(-0.005, 0.005)
        self._values: Values = chosen(bench.circuit, lambda _, span: rng.uniform(span.low, span.high))
        self.faults: Faults = ()

    def state(self, *, supplied: bool = True) -> State:
        """The circuit as it really is."""
        return self._bench.state(self.faults, self._situation, self._values, supplied=supplied)

    def read(self, question: Question) -> Seen:
        """Touch and read."""
        rng = self._rng
        state = self.state(supplied=question.measure is Measure.VOLTAGE)
        if question.measure is Measure.RESISTANCE:
            ohms = self._bench.resistance(state, question.point, question.reference)
            if ohms is None or rng.random() < MISSES:
                return Seen(question, None)
            return Seen(question, round((ohms + rng.uniform(0.2, 0.5)) * (1 + self._gain), 1), 0.01, 0.5)
        volts = _volts(self._bench, state, question, self.faults)
        if rng.random() < MISSES or volts is None:
            return Seen(question, _in_the_air(rng))
        return Seen(question, round(volts * (1 + self._gain) + rng.uniform(-0.02, 0.02), 2))


def _volts(bench: Bench, state: State, question: Question, faults: Faults) -> float | None:
    """What is there to be read; None where it floats, or the black lead is joined to nothing."""
    lost = question.reference is None and any(fault.kin is Kin.REFERENCE for fault in faults)
    return None if lost else bench.reading(state, question.point, question.reference)


Reader = Callable[[Question], Seen]
"""Touches and reads."""


def exact(dictionary: Dictionary, faults: Faults) -> Reader:
    """A hand that never misses, and a meter that is not off, on parts that have their nominal values."""
    bench = dictionary.bench

    def read(question: Question) -> Seen:
        state = bench.state(faults, dictionary.situation, supplied=question.measure is Measure.VOLTAGE)
        if question.measure is Measure.RESISTANCE:
            ohms = bench.resistance(state, question.point, question.reference)
            return Seen(question, None if ohms is None else round(ohms, 1), 0.01, 0.5)
        return Seen(question, round(_volts(bench, state, question, faults) or 0.0, 2))

    return read


def _in_the_air(rng: random.Random) -> float:
    """What leads in the air, or a node that floats, show: next to nothing, at times stray voltage."""
    return round(rng.gauss(0, 0.015) if rng.random() < 0.9 else rng.uniform(-2.5, 2.5), 2)


def drawn_faults(circuit: Circuit, rng: random.Random) -> Iterator[Fault]:
    """Single faults, as readily as the circuit has them, each of any size that it can have."""
    known = [each for each in single_faults(circuit) if each.faults]
    weights = [each.weight for each in known]
    while True:
        (fault,) = rng.choices(known, weights)[0].faults
        if fault.kin is Kin.HIGH:
            yield Fault(Kin.HIGH, fault.at, 10 ** rng.uniform(log10(LEAKS[0]), log10(LEAKS[-1])))
        else:
            yield fault


def search_for(read: Reader, dictionary: Dictionary) -> tuple[Finding, Search, float]:
    """Search until it is sure, or has nothing more to ask; also what it took, in minutes."""
    search = Search(dictionary)
    minutes = 0.0
    finding = search.finding()
    while finding.next is not None and len(search.touches) < MOST_TOUCHES:
        minutes += search.minutes(finding.next.question)
        search.take(read(finding.next.question))
        finding = search.finding()
    return finding, search, minutes


@cache
def dictionary_of(name: str, situation: str) -> Dictionary:
    """The circuit's dictionary, worked out once in each process."""
    return Dictionary(Bench(load_circuit(name).circuit), situation)


def run(name: str, situation: str, seed: str, count: int) -> Figures:
    """Simulate so many single faults, and a tenth as many pairs."""
    dictionary = dictionary_of(name, situation)
    bench, circuit = dictionary.bench, dictionary.circuit
    rng = random.Random(f"{name} {seed}")
    figures = Figures()
    faults = drawn_faults(circuit, rng)
    for fault in islice(faults, count):
        _single(bench, dictionary, fault, rng, figures)
    opens = (fault for fault in faults if fault.kin is Kin.OPEN)
    pairs = (pair for pair in zip(opens, opens, strict=False) if pair[0] != pair[1])
    for pair in islice(pairs, count // 10):
        _pair(bench, dictionary, pair, rng, figures)
    return figures


def _single(bench: Bench, dictionary: Dictionary, fault: Fault, rng: random.Random, figures: Figures) -> None:
    lift = Lift(bench, dictionary.situation, rng)
    lift.faults = (fault,)
    try:
        lift.state()
    except RestlessError:
        return
    if not visible(dictionary, (fault,)):
        figures.invisible += 1
        return
    finding, search, minutes = search_for(lift.read, dictionary)
    figures.faults += 1
    figures.touches.append(len(search.touches))
    figures.minutes.append(minutes)
    if finding.answer is None:
        figures.unnamed[fault.name] += 1
    elif place(finding.answer) == fault.at:
        figures.right += 1
        figures.unproven += not finding.proof
    else:
        figures.wrong.append(f"{name_of((fault,))}@{fault.size or ''} named {finding.answer}")


def _pair(bench: Bench, dictionary: Dictionary, pair: Faults, rng: random.Random, figures: Figures) -> None:
    lift = Lift(bench, dictionary.situation, rng)
    lift.faults = tuple(sorted(pair))
    figures.pairs += 1
    while lift.faults and visible(dictionary, lift.faults):
        finding, _, _ = search_for(lift.read, dictionary)
        if finding.answer is None:
            break
        mended = tuple(fault for fault in lift.faults if fault.at not in places(finding.answer))
        if len(mended) == len(lift.faults):
            figures.pairs_wrong.append(f"{name_of(lift.faults)} named {finding.answer}")
            return
        lift.faults = mended
    figures.pairs_right += not lift.faults or not visible(dictionary, lift.faults)


def visible(dictionary: Dictionary, faults: Faults) -> bool:
    """Whether any point that can be probed reads clearly else than in the sound circuit, or a part's ohms do.

    A fault of a source moves all points together, as the level of a sound supply does: it must lie beyond that.
    """
    moves_all = any(fault.kin is Kin.SOURCE for fault in faults)
    for question in dictionary.questions:
        sound, now = dictionary.sound(question), dictionary.predicted(faults, question)
        if (sound.value is None) is not (now.value is None):
            return True
        if sound.value is None or now.value is None or question.measure is Measure.RESISTANCE:
            continue
        level = abs(sound.slope) if moves_all else 0.0
        if abs(sound.value - now.value) > VISIBLE_V + sound.spread + now.spread + level:
            return True
    return False


def place(answer: str) -> str:
    """Where the fault is that was named."""
    return answer.partition(":")[2]


def places(answer: str) -> set[str]:
    """Where the faults are that were named."""
    return {place(each) for each in answer.split(" + ")}


@dataclass
class Way:
    """What one way of looking took, over all opens; a mean counts each as readily as it happens."""

    weight: float = 0.0
    touches: float = 0.0
    minutes: float = 0.0
    right: int = 0
    """So many opens were found: the part was named, or was the one that ends at the dead point, or the one left."""
    opens: int = 0

    def add(self, weight: float, touches: int, minutes: float, *, right: bool) -> None:
        """Count one open."""
        self.weight += weight
        self.touches += weight * touches
        self.minutes += weight * minutes
        self.right += right
        self.opens += 1

    def __str__(self) -> str:
        mean = f"{self.touches / self.weight:.2f} touches, {self.minutes / self.weight:.2f} min"
        return f"{mean}, right {self.right} of {self.opens}"


@dataclass(frozen=True, slots=True)
class Walkable:
    """An open that leaves points dead."""

    fault: Fault
    weight: float
    dead: frozenset[str]


class Chain:
    """A circuit as it is walked: its points that should be live, and the opens that leave some of them dead.

    Live is above half the supply; dead is below half of what a point should read.
    """

    def __init__(self, dictionary: Dictionary) -> None:
        self.dictionary = dictionary
        circuit = dictionary.circuit
        sound = self._volts(())
        self.points = [
            node for node in circuit.nodes[1:] if circuit.points[node].probe and sound[node] > dictionary.supply / 2
        ]
        self.opens: list[Walkable] = []
        for each in single_faults(circuit):
            if each.faults and each.faults[0].kin is Kin.OPEN and circuit.by_id[each.faults[0].at].kind.carries:
                now = self._volts(each.faults)
                dead = frozenset(node for node in self.points if now[node] < sound[node] / 2)
                if dead:
                    self.opens.append(Walkable(each.faults[0], each.weight, dead))

    def _volts(self, faults: Faults) -> Mapping[str, float]:
        state = self.dictionary.bench.state(faults, self.dictionary.situation)
        return {node: volts or 0.0 for node, volts in self.dictionary.bench.readings(state).items()}

    def walked(self, one: Walkable) -> list[str]:
        """The points touched from the supply on, to the first dead one."""
        first = next(place for place, node in enumerate(self.points) if node in one.dead)
        return self.points[: first + 1]

    def halved(self, one: Walkable) -> tuple[list[str], list[Walkable]]:
        """The points touched where each parts the opens that are left most evenly, and what no point parts any more."""
        left, touched = self.opens, list[str]()
        while True:
            node = min(self.points, key=lambda node: abs(len(left) - 2 * _dead_at(node, left)))
            if _dead_at(node, left) in (0, len(left)):
                return touched, left
            touched.append(node)
            left = [each for each in left if (node in each.dead) is (node in one.dead)]

    def minutes(self, touched: Sequence[str]) -> float:
        """What these touches take: nothing where one stands before the point already, as in `Search.minutes`."""
        points = self.dictionary.circuit.points
        total, reach = 0.0, None
        for node in touched:
            if reach is None or points[node].reach != reach:
                total += points[node].minutes
            reach = points[node].reach
        return total


def _dead_at(node: str, opens: Sequence[Walkable]) -> int:
    return sum(node in each.dead for each in opens)


def compared(name: str, situation: str) -> Mapping[str, Way]:
    """Find every open that leaves a point dead, in three ways."""
    dictionary = dictionary_of(name, situation)
    chain = Chain(dictionary)
    ways = {"planned search": Way(), "walking": Way(), "half-splitting": Way()}
    for one in chain.opens:
        finding, search, minutes = search_for(exact(dictionary, (one.fault,)), dictionary)
        right = finding.answer is not None and place(finding.answer) == one.fault.at
        ways["planned search"].add(one.weight, len(search.touches), minutes, right=right)
        walked = chain.walked(one)
        right = walked[-1] in dictionary.circuit.by_id[one.fault.at].nodes
        ways["walking"].add(one.weight, len(walked), chain.minutes(walked), right=right)
        touched, left = chain.halved(one)
        ways["half-splitting"].add(one.weight, len(touched), chain.minutes(touched), right=left == [one])
    return ways


def main() -> None:
    """Print the figures."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 20_000
    chunk = max(1, min(250, count // (3 * 8)))
    with ProcessPoolExecutor() as pool:
        for name, situation in CIRCUITS:
            chunks = range(max(1, count // len(CIRCUITS) // chunk))
            jobs = [pool.submit(run, name, situation, str(number), chunk) for number in chunks]
            beside = pool.submit(compared, name, situation)
            total = Figures()
            for job in jobs:
                total.add(job.result())
            report(name, situation, total, beside.result())


def report(name: str, situation: str, figures: Figures, ways: Mapping[str, Way]) -> None:
    """Print one circuit's figures."""
    asked, minutes = figures.touches, figures.minutes
    lines = (
        f"{name}, situation {situation}: {figures.faults} visible single faults ({figures.invisible} invisible ones)",
        f"  named {figures.right + len(figures.wrong)}: right {figures.right}, wrong {len(figures.wrong)}"
        f" {figures.wrong[:5]}, without proof {figures.unproven}",
        f"  not named {sum(figures.unnamed.values())} {dict(figures.unnamed.most_common(6))}",
        f"  touches: mean {sum(asked) / max(1, len(asked)):.2f}, most {max(asked, default=0)};"
        f" minutes: mean {sum(minutes) / max(1, len(minutes)):.2f}",
        f"  pairs of opens {figures.pairs}: right {figures.pairs_right}, wrong {len(figures.pairs_wrong)}"
        f" {figures.pairs_wrong[:5]}",
        *(f"  opens without misses, {way}: {taken}" for way, taken in ways.items()),
    )
    click.echo("\n".join(lines))


if __name__ == "__main__":
    main()
