"""What to touch next: what proves a likely answer, what tells most apart in the least time, or what else may. Pure."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from meterlink.circuit.dictionary import Measure, Question
from meterlink.circuit.evidence import AIR_VOLTS, Seen, Standing
from meterlink.circuit.look import AS_GOOD_AS, NO_PATH, Answer, Look, apart, bounds
from meterlink.circuit.plan import Option, best_choice
from meterlink.circuit.proof import Proofs

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

_FEW_SUSPECTED = 6
"""So many of the likeliest parts are worth a reading across them."""


@dataclass(frozen=True, slots=True)
class Next:
    """What to touch next."""

    question: Question
    why: str
    """One sentence."""


class Asking:
    """Chooses the next question of one look."""

    def __init__(self, look: Look, proofs: Proofs) -> None:
        """Choose by one look, and by what it proves."""
        self._look, self._proofs = look, proofs

    def next(self, top: Answer, doubtful: Sequence[Seen], *, proved: bool) -> Next | None:
        """Choose; None where no reading tells more.

        Args:
            top: the likeliest answer.
            doubtful: the touches that do not fit it.
            proved: whether there is a proof of it.
        """
        if self._look.probability(top) >= _LIKELY and top:
            again = [seen.question for seen in doubtful if self._look.touched(seen.question) < _MOST_TIMES]
            if again:
                question = again[-1]
                return Next(
                    question, f"What {question} read does not fit the rest: touch it again before anything is named."
                )
            missing = None if proved else self._proofs.missing(top)
            if missing is not None:
                return Next(missing, f"To prove {self._look.name(top)}: a reading on either side of it, or across it.")
            return self._surer(top) or self._over(top)
        return self._planned() or (self._surer(top) if top else None) or self._over(top)

    def _over(self, top: Answer) -> Next | None:
        """Across the part itself, or beside the point, before the search gives up on what may well be it.

        What may overlap by what it would read is not told apart by the plan; what it does read may well tell it.
        """
        if self._look.probability(top) >= AS_GOOD_AS:
            return None
        for answer in self._look.worth_a_look:
            own = self._look.best(answer)
            volts, ohms = self._look.overs(answer, Measure.VOLTAGE), self._look.overs(answer, Measure.RESISTANCE)
            for question in (*volts, *self._beside(answer), *ohms):
                if question not in self._look.latest and self._differs(question, own):
                    return Next(
                        question, f"Nothing else tells more; there {self._look.name(answer)} shows most of all."
                    )
        return None

    def _beside(self, top: Answer) -> list[Question]:
        """Volts across the parts at a point: the current of a short to earth flows through those that lead to it."""
        ends = [
            set(part.nodes)
            for place in top
            if place in self._look.circuit.number
            for part in self._look.circuit.near(place)
        ]
        return [
            question
            for question in self._look.dictionary.questions
            if question.measure is Measure.VOLTAGE and {question.point, question.reference} in ends
        ]

    def _differs(self, question: Question, own: Standing) -> bool:
        """Whether the middle of what a question would read is not what the sound circuit may read."""
        middle = sum(self._look.interval(own, question)) / 2
        sound = self._look.dictionary.sound(question)
        if sound.value is None:
            return question.measure is Measure.VOLTAGE or middle < NO_PATH
        low, high = bounds(sound, own)
        return not low <= middle <= high

    def _surer(self, top: Answer) -> Next | None:
        """The question that rules out the most of what speaks against the likeliest answer, per minute."""
        for_it = {id(each) for each in self._look.explanations(top)}
        against = [each for each in self._look.standings if id(each) not in for_it]
        own = self._look.best(top)
        best: Question | None = None
        most = 0.0
        for question in self._look.dictionary.questions:
            if self._look.touched(question) >= _MOST_TIMES:
                continue
            mine = self._look.interval(own, question)
            told = 0.0
            for other in against[:_MOST_THINGS]:
                if apart(mine, self._look.interval(other, question)):
                    told += other.probability
            rate = told / (self._look.minutes(question) + _TOUCH_MINUTES)
            if told > _TOLD_APART and rate > most * (1 + 1e-12):
                best, most = question, rate
        if best is None:
            return None
        rivals = [each for each in against if apart(self._look.interval(own, best), self._look.interval(each, best))]
        rival = rivals[0].suspect.name
        verb = "Once more: it" if best in self._look.latest else "It"
        return Next(best, f"{verb} tells {self._look.name(top)} from {rival}.")

    def _planned(self) -> Next | None:
        """The question that leads to the answer in the least expected time.

        Volts to the reference come first, and across the likeliest parts: one hand stays free. Anything else, and ohms
        with the supply isolated, only where those tell nothing more apart.
        """
        things = list(self._things())
        if len(things) < 2:
            return None
        suspected = [each.suspect.faults[0].at for each in things[:_FEW_SUSPECTED] if each.suspect.faults]
        parts = [self._look.circuit.by_id[place] for place in suspected if place in self._look.circuit.by_id]
        ends = [set(part.nodes) for part in parts]
        handy = [
            question
            for question in self._look.dictionary.questions
            if question.measure is Measure.VOLTAGE
            and (question.reference is None or {question.point, question.reference} in ends)
        ]
        return self._planned_with(things, handy) or self._planned_with(things, self._look.dictionary.questions)

    def _planned_with(self, things: Sequence[Standing], allowed: Sequence[Question]) -> Next | None:
        answers = [self._sought(each.answer) for each in things]
        options: list[Option] = []
        questions = []
        seen: dict[tuple[int, ...], int] = {}
        for question in allowed:
            classes, idle = self._classes(things, question)
            cost = self._look.minutes(question) + _TOUCH_MINUTES
            if self._look.touched(question) >= _MOST_TIMES or _largest_share(things, classes) > 1 - _WORTH_ASKING:
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
        return self._look.top if self._look.top and set(self._look.top) <= set(answer) else answer

    def _things(self) -> Iterator[Standing]:
        """What is planned with: of each single answer the likeliest form, and others of it that are not much less."""
        first: dict[Answer, float] = {}
        count = 0
        for each in self._look.standings:
            answer = each.answer
            if count == _MOST_THINGS or each.probability < (_PAIR_SHARE if len(answer) > 1 else _LEAST_SHARE):
                continue
            if each.probability >= 0.3 * first.setdefault(answer, each.probability):
                count += 1
                yield each

    def _classes(self, things: Sequence[Standing], question: Question) -> tuple[tuple[int, ...], set[int]]:
        """Sort things by what they would read: those whose intervals overlap cannot be told apart."""
        spans = [self._look.interval(each, question) for each in things]
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

    def _reason(self, question: Question, option: Option, things: Sequence[Standing], expected: float) -> str:
        shares: dict[int, float] = {}
        spans: dict[int, tuple[float, float]] = {}
        for thing, each in zip(things, option.classes, strict=True):
            shares[each] = shares.get(each, 0.0) + thing.probability
            spans.setdefault(each, self._look.interval(thing, question))
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


def _shown(span: tuple[float, float], unit: str) -> str:
    low, high = span
    if low >= NO_PATH:
        return "OL"
    if low <= 0 <= high and high - low < 1:
        return "dead" if unit == "V" else "next to nothing"
    return f"{(low + high) / 2:.3g} {unit}"
