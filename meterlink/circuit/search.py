"""Looks for what is wrong: from the touches so far to the ranked faults, the proof, and the next question.

An answer is a place, not a size: whoever finds that B1 does not conduct replaces B1, whether it has 300 kOhm or none.
It needs a proving pair, readings on both sides of the part or across it that fit it and nothing sound, and a
probability of `SURE`.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property

from meterlink.circuit.dictionary import ISOLATE_MINUTES, Dictionary, Measure, Prediction, Question
from meterlink.circuit.evidence import AIR_VOLTS, MOSTLY_AS_STATED, Evidence, Seen, Standing, fits
from meterlink.circuit.fault import Kin, name_of
from meterlink.circuit.parts import Circuit
from meterlink.circuit.plan import Option, best_choice

SURE = 0.999
"""From this probability on, and with a proving pair, something counts as found."""

_AS_GOOD_AS = 0.99
_WORTH_A_LOOK = 0.1
"""From here on something is read across before the search gives up."""

_LIKELY = 0.9
"""From here on the search turns from looking to proving."""

_TOUCH_MINUTES = 0.1
"""What a touch takes besides reaching the point (common practice, no source)."""

_RETOUCH_MINUTES = 0.15
"""What a dead reading costs besides: it has to be touched again, or confirmed (common practice, no source)."""

_TOLD_APART = 1e-4
"""Questions that tell less than this share of what is left apart are not worth a touch."""

_WORTH_ASKING = 0.02
"""A question is worth its touch where it tells that share of what is left from the rest."""

_MOST_THINGS = 48
"""As many things are planned with at most, the likeliest."""

_LEAST_SHARE, _PAIR_SHARE = 1e-3, 0.02
"""What is likelier than that is planned with: single faults, and pairs of opens."""

_MOST_TIMES = 5
"""One point is touched that often at most: after that its word stands, or the search says that it does not know."""

_LIVE_VOLTS = 1.0
"""What neither a dead point nor leads in the air mostly show."""

_FEW = 6
"""So many explanations of one answer are looked at when it is asked whether a touch fits."""

Answer = tuple[str, ...]
"""Where the fault is, or are: parts and points; empty for none."""


@dataclass(frozen=True, slots=True)
class Ranked:
    """One fault by name, all its sizes taken together."""

    name: str
    probability: float


@dataclass(frozen=True, slots=True)
class Next:
    """What to touch next."""

    question: Question
    why: str
    """One sentence."""


@dataclass(frozen=True, slots=True)
class Finding:
    """What the touches so far come to."""

    faults: tuple[Ranked, ...]
    """The likeliest first; those of next to no probability are left out."""
    sure: bool
    answer: str | None
    """The fault that is proven; None unless `sure`."""
    proof: tuple[Seen, ...]
    """The touches that prove it."""
    next: Next | None
    """None where it is sure, or where no reading here would tell more."""
    doubtful: tuple[Seen, ...] = ()
    """Touches that the likeliest explanation has to take for misses."""


@dataclass
class Search:
    """One search in one situation."""

    dictionary: Dictionary
    weights: Sequence[float] | None = None
    """Of the dictionary's suspects; their own unless told, as a symptom would."""
    as_stated: float = MOSTLY_AS_STATED
    """How likely the supply stands where the circuit says."""
    _evidence: Evidence = field(init=False)
    _pairs: bool = False
    """Whether faults that are there together are looked at: only once a single one does not explain the touches."""

    def __post_init__(self) -> None:
        if self.weights is None:
            self.weights = [each.weight for each in self.dictionary.suspects]
        self._evidence = Evidence(self.dictionary, self.weights, pairs=False, as_stated=self.as_stated)

    @property
    def circuit(self) -> Circuit:
        """The circuit."""
        return self.dictionary.circuit

    @property
    def touches(self) -> tuple[Seen, ...]:
        """What was touched, in order."""
        return self._evidence.touches

    def take(self, seen: Seen) -> None:
        """Take a touch in."""
        self._evidence.take(seen)

    def finding(self) -> Finding:
        """Say what the touches so far come to, and what to touch next."""
        look = self._look()
        if look.contradicted and not self._pairs:
            self._pairs = True
            touches = self.touches
            self._evidence = Evidence(self.dictionary, self.weights or (), as_stated=self.as_stated)
            for seen in touches:
                self._evidence.take(seen)
            look = self._look()
        return look.finding()

    def minutes(self, question: Question) -> float:
        """What a question would cost from here: going there, or not, and putting the supply right for it."""
        return self._look().minutes(question)

    def _look(self) -> "_Look":
        return _Look(self.dictionary, self.touches, self._evidence.standings())


class _Look:
    """One look at where a search stands."""

    def __init__(self, dictionary: Dictionary, touches: Sequence[Seen], standings: Sequence[Standing]) -> None:
        self._circuit, self._dictionary = dictionary.circuit, dictionary
        self._touches, self._standings = touches, standings
        self._latest: Mapping[Question, Seen] = {seen.question: seen for seen in touches}

    @property
    def contradicted(self) -> bool:
        """Whether the likeliest explanation has to take the newest touch of something for a miss."""
        return bool(self._doubtful(self._top))

    def finding(self) -> Finding:
        top = self._top
        doubtful = self._doubtful(top)
        proof = self._proof(top)
        share = self._probability(top)
        proved = proof is not None and not doubtful
        following = None if proved and share >= SURE else self._next(top, doubtful, proved=proof is not None)
        # Where no reading tells more, what is left beside the answer is its like: the next terminal on the same wire.
        sure = proved and (share >= SURE or (share >= _AS_GOOD_AS and following is None))
        return Finding(
            faults=tuple(self._ranked),
            sure=sure,
            answer=self._name(top) if sure else None,
            proof=proof or () if sure else (),
            next=following,
            doubtful=doubtful,
        )

    # Standing

    @cached_property
    def _ranked(self) -> list[Ranked]:
        sums: dict[str, float] = {}
        for each in self._standings:
            sums[each.suspect.name] = sums.get(each.suspect.name, 0.0) + each.probability
        rows = [Ranked(name, share) for name, share in sums.items() if share >= 5e-5]
        return sorted(rows, key=lambda row: -row.probability)

    @cached_property
    def _shares(self) -> Mapping[Answer, float]:
        """How likely each answer is: one place, whatever else is wrong as well; or none."""
        shares: dict[Answer, float] = {}
        for each in self._standings:
            places: list[Answer] = [(place,) for place in each.answer]
            for answer in places or [()]:
                shares[answer] = shares.get(answer, 0.0) + each.probability
        return shares

    @cached_property
    def _top(self) -> Answer:
        """The likeliest answer."""
        return max(self._shares, key=lambda answer: self._shares[answer], default=())

    @property
    def _worth_a_look(self) -> list[Answer]:
        """The answers that are too likely to give up on, the likeliest first."""
        likely = [answer for answer, share in self._shares.items() if answer and share >= _WORTH_A_LOOK]
        return sorted(likely, key=lambda answer: -self._shares[answer])

    def _explanations(self, answer: Answer) -> list[Standing]:
        """What the answer is true in, the likeliest first."""
        if not answer:
            return [each for each in self._standings if not each.suspect.faults]
        return [each for each in self._standings if set(answer) <= set(each.answer)]

    def _probability(self, answer: Answer) -> float:
        total = 0.0
        for each in self._explanations(answer):
            total += each.probability
        return total

    def _best(self, answer: Answer) -> Standing:
        return self._explanations(answer)[0]

    def _name(self, answer: Answer) -> str:
        """The answer as a fault: the likeliest kind of it."""
        sums: dict[str, float] = {}
        for each in self._explanations(answer):
            name = name_of(tuple(fault for fault in each.suspect.faults if fault.at in answer))
            sums[name] = sums.get(name, 0.0) + each.probability
        return max(sums, key=lambda name: sums[name])

    # Proof

    def _doubtful(self, answer: Answer) -> tuple[Seen, ...]:
        """The newest touches that do not fit the one explanation of the answer which leaves the fewest such."""
        unfit = (
            tuple(seen for seen in self._latest.values() if not self._fits(seen, each))
            for each in self._explanations(answer)[:_FEW]
        )
        return min(unfit, key=len, default=())

    def _fits(self, seen: Seen, standing: Standing) -> bool:
        prediction = self._dictionary.predict(standing.index, seen.question)
        return fits(seen, prediction, standing.span)

    def _sound(self, seen: Seen) -> bool:
        """Whether a touch reads what the sound circuit would, at the level at which the supply seems to stand."""
        best = self._best(self._top)
        return fits(seen, self._dictionary.sound(seen.question), best.span, loosely=False)

    def _proof(self, answer: Answer) -> tuple[Seen, ...] | None:
        """The touches that prove an answer, or None: both sides of a part, or across it; a source at its own poles."""
        if not answer:
            return None
        (place,) = answer
        part = self._circuit.by_id.get(place)
        if place == self._circuit.reference:
            return self._proof_of_lost_reference()
        if part is None:
            return self._proof_of_short(place)
        across = self._across(place)
        telling = [seen for seen in across if not self._sound(seen) and self._stands(seen)]
        if telling:
            return (telling[0],)
        if self._name(answer).startswith(Kin.BRIDGED):
            return self._proof_of_bridge(across)
        ends = [node for node in part.nodes if node != self._circuit.reference]
        seen = [self._latest[Question(node)] for node in ends if Question(node) in self._latest]
        if len(seen) < len(ends) or not any(not self._sound(each) for each in seen):
            return None
        if len(ends) == 1 and (not part.kind.supplies or self._touched(Question(ends[0])) < 2):
            return None
        if len(ends) == 2 and not part.kind.supplies and not self._differ(seen[0], seen[1]):
            return None
        return tuple(seen)

    def _stands(self, seen: Seen) -> bool:
        """Whether a touch says more than leads in the air would: live, or a number of ohms, or the same twice."""
        alive = seen.value is not None and (seen.question.measure is Measure.RESISTANCE or abs(seen.value) > AIR_VOLTS)
        return alive or self._touched(seen.question) > 1

    def _proof_of_bridge(self, across: Sequence[Seen]) -> tuple[Seen, ...] | None:
        """No volts across what should be open, twice, and a point that is live only through it."""
        idle = [seen for seen in across if seen.question.measure is Measure.VOLTAGE and self._stands(seen)]
        live = [
            seen
            for seen in self._latest.values()
            if seen not in across and not self._sound(seen) and abs(seen.value or 0.0) > _LIVE_VOLTS
        ]
        return (idle[0], live[0]) if idle and live else None

    def _proof_of_short(self, node: str) -> tuple[Seen, ...] | None:
        """A point that is dead while another is live, so that the black lead is joined; else next to no ohms there."""
        at = self._latest.get(Question(node))
        if at is None or self._sound(at):
            return None
        live = [
            seen
            for seen in self._latest.values()
            if seen.question.measure is Measure.VOLTAGE and seen is not at and abs(seen.value or 0.0) > _LIVE_VOLTS
        ]
        ohms = self._latest.get(Question(node, self._circuit.reference, Measure.RESISTANCE))
        if ohms is not None and ohms.value is not None and not self._sound(ohms):
            return (at, ohms)
        return (at, live[0]) if live else None

    def _proof_of_lost_reference(self) -> tuple[Seen, ...] | None:
        """A source that is live at its own poles, and dead with the black lead where it was."""
        live = [
            seen
            for seen in self._latest.values()
            if seen.question.reference is not None
            and seen.question.measure is Measure.VOLTAGE
            and abs(seen.value or 0.0) > _LIVE_VOLTS
        ]
        dead = [seen for seen in self._latest.values() if seen.question.reference is None and not self._sound(seen)]
        return (live[0], dead[0]) if live and dead else None

    def _differ(self, one: Seen, other: Seen) -> bool:
        """Whether two touches differ by more than the meter may be off: live on one side, dead or less on the other."""
        if one.value is None or other.value is None:
            return one.value is not other.value
        counts = one.counts + other.counts + AIR_VOLTS
        return abs(one.value - other.value) > counts

    def _across(self, place: str) -> list[Seen]:
        ends = set(self._circuit.by_id[place].nodes)
        return [
            seen
            for question, seen in self._latest.items()
            if {question.point, question.reference or self._circuit.reference} == ends
            and (question.reference is not None or question.measure is Measure.RESISTANCE)
        ]

    def _touched(self, question: Question) -> int:
        return sum(seen.question == question for seen in self._touches)

    # Next

    def _next(self, top: Answer, doubtful: Sequence[Seen], *, proved: bool) -> Next | None:
        if self._probability(top) >= _LIKELY and top:
            again = [seen.question for seen in doubtful if self._touched(seen.question) < _MOST_TIMES]
            if again:
                question = again[-1]
                return Next(
                    question, f"What {question} read does not fit the rest: touch it again before anything is named."
                )
            missing = None if proved else self._missing(top)
            if missing is not None:
                return Next(missing, f"To prove {self._name(top)}: a reading on either side of it, or across it.")
            return self._surer(top) or self._over(top)
        return self._planned() or (self._surer(top) if top else None) or self._over(top)

    def _missing(self, top: Answer) -> Question | None:
        """What would prove the answer: a side of the part, else across it, else its ohms; a dead reading twice."""
        volts, ohms = self._overs(top, Measure.VOLTAGE), self._overs(top, Measure.RESISTANCE)
        for wanted, again in ((self._sides(top), []), (volts, volts), (ohms, ohms)):
            open_ones = [each for each in wanted if each in self._dictionary.questions and each not in self._latest]
            if open_ones:
                return min(open_ones, key=self.minutes)
            for each in again:
                if self._touched(each) == 1 and not self._stands(self._latest[each]):
                    return each
        return None

    def _sides(self, top: Answer) -> list[Question]:
        parts = [self._circuit.by_id.get(place) for place in top]
        return [
            Question(node)
            for place, part in zip(top, parts, strict=True)
            for node in (part.nodes if part else (place,))
        ]

    def _overs(self, top: Answer, measure: Measure) -> list[Question]:
        """Readings over a part; of a reference that is lost, over a source, with the black lead moved for it."""
        parts = [part for part in self._circuit.parts if part.id in top]
        if measure is Measure.RESISTANCE:
            parts = [part for part in parts if not part.kind.supplies]
        elif self._circuit.reference in top:
            parts = [part for part in self._circuit.parts if part.kind.supplies]
        ends = [set(part.nodes) for part in parts]
        ends += [{place, self._circuit.reference} for place in top if place not in self._circuit.by_id]
        return [
            question
            for question in self._dictionary.questions
            if question.measure is measure and {question.point, question.reference} in ends
        ]

    def _over(self, top: Answer) -> Next | None:
        """Across the part itself, or beside the point, before the search gives up on what may well be it.

        What may overlap by what it would read is not told apart by the plan; what it does read may well tell it.
        """
        if not top or self._probability(top) >= _AS_GOOD_AS:
            return None
        for answer in self._worth_a_look:
            own = self._best(answer)
            volts, ohms = self._overs(answer, Measure.VOLTAGE), self._overs(answer, Measure.RESISTANCE)
            for question in (*volts, *self._beside(answer), *ohms):
                if question not in self._latest and self._differs(question, own):
                    return Next(question, f"Nothing else tells more; there {self._name(answer)} shows most of all.")
        return None

    def _beside(self, top: Answer) -> list[Question]:
        """Volts across the parts at a point: the current of a short to earth flows through those that lead to it."""
        ends = [set(part.nodes) for place in top if place in self._circuit.number for part in self._circuit.near(place)]
        return [
            question
            for question in self._dictionary.questions
            if question.measure is Measure.VOLTAGE and {question.point, question.reference} in ends
        ]

    def _differs(self, question: Question, own: Standing) -> bool:
        """Whether the middle of what a question would read is not what the sound circuit may read."""
        middle = sum(self._interval(own, question)) / 2
        sound = self._dictionary.sound(question)
        if sound.value is None:
            return question.measure is Measure.VOLTAGE or middle < _NO_PATH
        low, high = _bounds(sound, own)
        return not low <= middle <= high

    def _surer(self, top: Answer) -> Next | None:
        """The question that rules out the most of what speaks against the likeliest answer, per minute."""
        for_it = {id(each) for each in self._explanations(top)}
        against = [each for each in self._standings if id(each) not in for_it]
        own = self._best(top)
        best: Question | None = None
        most = 0.0
        for question in self._dictionary.questions:
            if self._touched(question) >= _MOST_TIMES:
                continue
            mine = self._interval(own, question)
            told = 0.0
            for other in against[:_MOST_THINGS]:
                if _apart(mine, self._interval(other, question)):
                    told += other.probability
            rate = told / (self.minutes(question) + _TOUCH_MINUTES)
            if told > _TOLD_APART and rate > most * (1 + 1e-12):
                best, most = question, rate
        if best is None:
            return None
        rivals = [each for each in against if _apart(self._interval(own, best), self._interval(each, best))]
        rival = rivals[0].suspect.name
        verb = "Once more: it" if best in self._latest else "It"
        return Next(best, f"{verb} tells {self._name(top)} from {rival}.")

    def minutes(self, question: Question) -> float:
        """What a question costs from here: the supply is isolated once for all that is measured in ohms."""
        isolated = bool(self._touches) and self._touches[-1].question.measure is Measure.RESISTANCE
        wanted = question.measure is Measure.RESISTANCE
        minutes = 0.0 if self._is_there(question) else self._dictionary.minutes(question)
        return minutes + (ISOLATE_MINUTES if wanted is not isolated else 0.0)

    def _is_there(self, question: Question) -> bool:
        """Whether the technician stands before a point already: it takes the same to reach as the last one did."""
        if not self._touches or question.reference is not None:
            return False
        points, last = self._circuit.points, self._touches[-1].question.point
        reach = points[question.point].reach
        return question.point == last or (reach is not None and reach == points[last].reach)

    def _planned(self) -> Next | None:
        """The question that leads to the answer in the least expected time.

        Volts to the reference come first, and across the likeliest parts: one hand stays free. Anything else, and ohms
        with the supply isolated, only where those tell nothing more apart.
        """
        things = list(self._things())
        if len(things) < 2:
            return None
        suspected = [each.suspect.faults[0].at for each in things[:_FEW] if each.suspect.faults]
        parts = [self._circuit.by_id[place] for place in suspected if place in self._circuit.by_id]
        ends = [set(part.nodes) for part in parts]
        handy = [
            question
            for question in self._dictionary.questions
            if question.measure is Measure.VOLTAGE
            and (question.reference is None or {question.point, question.reference} in ends)
        ]
        return self._planned_with(things, handy) or self._planned_with(things, self._dictionary.questions)

    def _planned_with(self, things: Sequence[Standing], allowed: Sequence[Question]) -> Next | None:
        answers = [self._sought(each.answer) for each in things]
        options: list[Option] = []
        questions = []
        seen: dict[tuple[int, ...], int] = {}
        for question in allowed:
            classes, idle = self._classes(things, question)
            cost = self.minutes(question) + _TOUCH_MINUTES
            if self._touched(question) >= _MOST_TIMES or _largest_share(things, classes) > 1 - _WORTH_ASKING:
                continue
            if classes in seen and options[seen[classes]].cost <= cost:
                continue
            surcharges = tuple(_RETOUCH_MINUTES if each in idle else 0.0 for each in range(max(classes) + 1))
            seen[classes] = len(options)
            options.append(Option(cost, classes, surcharges))
            questions.append(question)
        choice = best_choice([each.probability for each in things], [answers.index(each) for each in answers], options)
        if choice is None:
            return None
        question, option = questions[choice.option], options[choice.option]
        return Next(question, self._reason(question, option, things, choice.expected))

    def _sought(self, answer: Answer) -> Answer:
        """Of two opens the likelier one is looked for; the other shows once that is repaired."""
        return self._top if self._top and set(self._top) <= set(answer) else answer

    def _things(self) -> Iterator[Standing]:
        """What is planned with: of each single answer the likeliest form, and others of it that are not much less."""
        first: dict[Answer, float] = {}
        count = 0
        for each in self._standings:
            answer = each.answer
            if count == _MOST_THINGS or each.probability < (_PAIR_SHARE if len(answer) > 1 else _LEAST_SHARE):
                continue
            if each.probability >= 0.3 * first.setdefault(answer, each.probability):
                count += 1
                yield each

    def _classes(self, things: Sequence[Standing], question: Question) -> tuple[tuple[int, ...], set[int]]:
        """Sort things by what they would read: those whose intervals overlap cannot be told apart."""
        spans = [self._interval(each, question) for each in things]
        order = sorted(range(len(spans)), key=lambda index: spans[index])
        classes, idle = [0] * len(spans), set()
        reach, current = spans[order[0]][1], 0
        for index in order:
            low, high = spans[index]
            if low > reach:
                current += 1
            reach = max(reach, high)
            classes[index] = current
            if low <= AIR_VOLTS and high >= -AIR_VOLTS:
                idle.add(current)
        return tuple(classes), idle

    def _interval(self, standing: Standing, question: Question) -> tuple[float, float]:
        """Between what a question would read."""
        prediction = self._dictionary.predict(standing.index, question)
        if prediction.value is None:
            return _FLOATING if question.measure is Measure.VOLTAGE else (_NO_PATH, _NO_PATH)
        return _bounds(prediction, standing)

    def _reason(self, question: Question, option: Option, things: Sequence[Standing], expected: float) -> str:
        shares: dict[int, float] = {}
        spans: dict[int, tuple[float, float]] = {}
        for thing, each in zip(things, option.classes, strict=True):
            shares[each] = shares.get(each, 0.0) + thing.probability
            spans.setdefault(each, self._interval(thing, question))
        total = 0.0
        for share in shares.values():
            total += share
        unit = "V" if question.measure is Measure.VOLTAGE else "Ohm"
        told = sorted(shares, key=lambda each: -shares[each])[:2]
        outcomes = ", ".join(f"{_shown(spans[each], unit)} in {100 * shares[each] / total:.0f} %" for each in told)
        return f"It divides what is left best: {outcomes}; about {expected:.1f} min to the answer from here."


def _largest_share(things: Sequence[Standing], classes: Sequence[int]) -> float:
    """How much of what is left would read alike."""
    shares: dict[int, float] = {}
    total = 0.0
    for thing, each in zip(things, classes, strict=True):
        shares[each] = shares.get(each, 0.0) + thing.probability
        total += thing.probability
    return max(shares.values()) / total


_FLOATING = (-AIR_VOLTS, AIR_VOLTS)
_NO_PATH = 1e12


def _bounds(prediction: Prediction, standing: Standing) -> tuple[float, float]:
    value, reach = prediction.value or 0.0, prediction.spread + AIR_VOLTS
    low, high, small, large = standing.span
    level, bend = (low + high) / 2 * prediction.slope, (small + large) / 2 * prediction.bend
    reach += (high - low) / 2 * abs(prediction.slope) + (large - small) / 2 * abs(prediction.bend)
    return value + level + bend - reach, value + level + bend + reach


def _apart(one: tuple[float, float], other: tuple[float, float]) -> bool:
    return one[1] < other[0] or other[1] < one[0]


def _shown(span: tuple[float, float], unit: str) -> str:
    low, high = span
    if low >= _NO_PATH:
        return "OL"
    if low <= 0 <= high and high - low < 1:
        return "dead" if unit == "V" else "next to nothing"
    return f"{(low + high) / 2:.3g} {unit}"
