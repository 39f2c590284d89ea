"""Where a search stands: how likely each answer is, what each question would read, what it costs from here. Pure.

An answer is a place, not a size: whoever finds that B1 does not conduct replaces B1, whether it has 300 kOhm or none.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

from meterlink.circuit.dictionary import ISOLATE_MINUTES, Dictionary, Measure, Prediction, Question
from meterlink.circuit.evidence import AIR_VOLTS, Seen, Standing, fits
from meterlink.circuit.fault import name_of

AS_GOOD_AS = 0.99
"""From here on an answer stands where no reading tells more."""

_WORTH_A_LOOK = 0.01
"""From here on something is read across before the search gives up."""

Answer = tuple[str, ...]
"""Where the fault is, or are: parts and points; empty for none."""

Interval = tuple[float, float]
"""Between which values a question would read, in V or Ohm."""

FLOATING = (-AIR_VOLTS, AIR_VOLTS)
NO_PATH = 1e12


@dataclass(frozen=True, slots=True)
class Ranked:
    """One fault by name, all its sizes taken together."""

    name: str
    probability: float


class Look:
    """One look at where a search stands."""

    def __init__(self, dictionary: Dictionary, touches: Sequence[Seen], standings: Sequence[Standing]) -> None:
        """Look at what the touches came to, the likeliest standing first."""
        self.circuit, self.dictionary = dictionary.circuit, dictionary
        self.touches, self.standings = touches, standings
        self.latest: Mapping[Question, Seen] = {seen.question: seen for seen in touches}
        """The newest touch of each question."""

    @cached_property
    def ranked(self) -> list[Ranked]:
        """The faults by name, the likeliest first."""
        sums: dict[str, float] = {}
        for each in self.standings:
            sums[each.suspect.name] = sums.get(each.suspect.name, 0.0) + each.probability
        rows = [Ranked(name, share) for name, share in sums.items() if share >= 5e-5]
        return sorted(rows, key=lambda row: -row.probability)

    @cached_property
    def shares(self) -> Mapping[Answer, float]:
        """How likely each answer is: one place, whatever else is wrong as well; or none."""
        shares: dict[Answer, float] = {}
        for each in self.standings:
            places: list[Answer] = [(place,) for place in each.answer]
            for answer in places or [()]:
                shares[answer] = shares.get(answer, 0.0) + each.probability
        return shares

    @cached_property
    def top(self) -> Answer:
        """The likeliest answer."""
        return max(self.shares, key=lambda answer: self.shares[answer], default=())

    @property
    def worth_a_look(self) -> list[Answer]:
        """The answers that are too likely to give up on, the likeliest first."""
        likely = [answer for answer, share in self.shares.items() if answer and share >= _WORTH_A_LOOK]
        return sorted(likely, key=lambda answer: -self.shares[answer])

    def explanations(self, answer: Answer) -> list[Standing]:
        """What the answer is true in, the likeliest first."""
        if not answer:
            return [each for each in self.standings if not each.suspect.faults]
        return [each for each in self.standings if set(answer) <= set(each.answer)]

    def probability(self, answer: Answer) -> float:
        """How likely an answer is, whatever else is wrong as well."""
        total = 0.0
        for each in self.explanations(answer):
            total += each.probability
        return total

    def best(self, answer: Answer) -> Standing:
        """The likeliest thing that an answer is true in."""
        return self.explanations(answer)[0]

    def name(self, answer: Answer) -> str:
        """The answer as a fault: the likeliest kind of it."""
        sums: dict[str, float] = {}
        for each in self.explanations(answer):
            name = name_of(tuple(fault for fault in each.suspect.faults if fault.at in answer))
            sums[name] = sums.get(name, 0.0) + each.probability
        return max(sums, key=lambda name: sums[name])

    def fits(self, seen: Seen, standing: Standing) -> bool:
        """Whether a touch reads what it would if a standing were true."""
        prediction = self.dictionary.predict(standing.index, seen.question)
        return fits(seen, prediction, standing.span)

    def sound(self, seen: Seen) -> bool:
        """Whether a touch reads what the sound circuit would, at the level at which the supply seems to stand."""
        best = self.best(self.top)
        return fits(seen, self.dictionary.sound(seen.question), best.span, loosely=False)

    def across(self, place: str) -> list[Seen]:
        """The newest touches with a lead on either side of a part."""
        ends = set(self.circuit.by_id[place].nodes)
        return [
            seen
            for question, seen in self.latest.items()
            if {question.point, question.reference or self.circuit.reference} == ends
            and (question.reference is not None or question.measure is Measure.RESISTANCE)
        ]

    def touched(self, question: Question) -> int:
        """How often a question was asked."""
        return sum(seen.question == question for seen in self.touches)

    def interval(self, standing: Standing, question: Question) -> tuple[float, float]:
        """Between what a question would read."""
        prediction = self.dictionary.predict(standing.index, question)
        if prediction.value is None:
            return FLOATING if question.measure is Measure.VOLTAGE else (NO_PATH, NO_PATH)
        return bounds(prediction, standing)

    def overs(self, top: Answer, measure: Measure) -> list[Question]:
        """Readings over a part; of a reference that is lost, over a source, with the black lead moved for it."""
        parts = [part for part in self.circuit.parts if part.id in top]
        if measure is Measure.RESISTANCE:
            parts = [part for part in parts if not part.kind.supplies]
        elif self.circuit.reference in top:
            parts = [part for part in self.circuit.parts if part.kind.supplies]
        ends = [set(part.nodes) for part in parts]
        ends += [{place, self.circuit.reference} for place in top if place not in self.circuit.by_id]
        return [
            question
            for question in self.dictionary.questions
            if question.measure is measure and {question.point, question.reference} in ends
        ]

    def minutes(self, question: Question) -> float:
        """What a question costs from here: the supply is isolated once for all that is measured in ohms."""
        isolated = bool(self.touches) and self.touches[-1].question.measure is Measure.RESISTANCE
        wanted = question.measure is Measure.RESISTANCE
        minutes = 0.0 if self._is_there(question) else self.dictionary.minutes(question)
        return minutes + (ISOLATE_MINUTES if wanted is not isolated else 0.0)

    def _is_there(self, question: Question) -> bool:
        """Whether the technician stands before a point already: it takes the same to reach as the last one did."""
        if not self.touches or question.reference is not None:
            return False
        points, last = self.circuit.points, self.touches[-1].question.point
        reach = points[question.point].reach
        return question.point == last or (reach is not None and reach == points[last].reach)


def bounds(prediction: Prediction, standing: Standing) -> Interval:
    """Between what is read by a prediction, at the levels and sizes that a standing leaves."""
    value, reach = prediction.value or 0.0, prediction.spread + AIR_VOLTS
    low, high, small, large = standing.span
    level, bend = (low + high) / 2 * prediction.slope, (small + large) / 2 * prediction.bend
    reach += (high - low) / 2 * abs(prediction.slope) + (large - small) / 2 * abs(prediction.bend)
    return value + level + bend - reach, value + level + bend + reach


def apart(one: Interval, other: Interval) -> bool:
    """Whether two intervals do not overlap."""
    return one[1] < other[0] or other[1] < one[0]
