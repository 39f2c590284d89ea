"""What proves an answer: readings on both sides of a part or across it that fit it and nothing sound. Pure."""

from collections.abc import Sequence

from meterlink.circuit.dictionary import Measure, Question
from meterlink.circuit.evidence import AIR_VOLTS, Seen
from meterlink.circuit.fault import Kin
from meterlink.circuit.look import Answer, Look

_LIVE_VOLTS = 1.0
"""What neither a dead point nor leads in the air mostly show."""

_FEW = 6
"""So many explanations of one answer are looked at when it is asked whether a touch fits."""


class Proofs:
    """What the touches so far prove, and what would."""

    def __init__(self, look: Look) -> None:
        """Judge by one look."""
        self._look = look

    def doubtful(self, answer: Answer) -> tuple[Seen, ...]:
        """The newest touches that do not fit the one explanation of the answer which leaves the fewest such."""
        unfit = (
            tuple(seen for seen in self._look.latest.values() if not self._look.fits(seen, each))
            for each in self._look.explanations(answer)[:_FEW]
        )
        return min(unfit, key=len, default=())

    def proof(self, answer: Answer) -> tuple[Seen, ...] | None:
        """The touches that prove an answer, or None: both sides of a part, or across it; a source at its own poles."""
        if not answer:
            return None
        (place,) = answer
        part = self._look.circuit.by_id.get(place)
        if place == self._look.circuit.reference:
            return self._proof_of_lost_reference()
        if part is None:
            return self._proof_of_short(place)
        across = self._look.across(place)
        telling = [seen for seen in across if not self._look.sound(seen) and self._stands(seen)]
        if telling:
            return (telling[0],)
        if self._look.name(answer).startswith(Kin.BRIDGED):
            return self._proof_of_bridge(across)
        ends = [node for node in part.nodes if node != self._look.circuit.reference]
        seen = [self._look.latest[Question(node)] for node in ends if Question(node) in self._look.latest]
        if len(seen) < len(ends) or not any(not self._look.sound(each) for each in seen):
            return None
        if len(ends) == 1 and (not part.kind.supplies or self._look.touched(Question(ends[0])) < 2):
            return None
        if len(ends) == 2 and not part.kind.supplies and not self._differ(seen[0], seen[1]):
            return None
        return tuple(seen)

    def _stands(self, seen: Seen) -> bool:
        """Whether a touch says more than leads in the air would: live, or a number of ohms, or the same twice."""
        alive = seen.value is not None and (seen.question.measure is Measure.RESISTANCE or abs(seen.value) > AIR_VOLTS)
        return alive or self._look.touched(seen.question) > 1

    def _proof_of_bridge(self, across: Sequence[Seen]) -> tuple[Seen, ...] | None:
        """No volts across what should be open, twice, and a point that is live only through it."""
        idle = [seen for seen in across if seen.question.measure is Measure.VOLTAGE and self._stands(seen)]
        live = [
            seen
            for seen in self._look.latest.values()
            if seen not in across and not self._look.sound(seen) and abs(seen.value or 0.0) > _LIVE_VOLTS
        ]
        return (idle[0], live[0]) if idle and live else None

    def _proof_of_short(self, node: str) -> tuple[Seen, ...] | None:
        """A point that is dead while another is live, so that the black lead is joined; else next to no ohms there."""
        at = self._look.latest.get(Question(node))
        if at is None or self._look.sound(at):
            return None
        live = [
            seen
            for seen in self._look.latest.values()
            if seen.question.measure is Measure.VOLTAGE and seen is not at and abs(seen.value or 0.0) > _LIVE_VOLTS
        ]
        ohms = self._look.latest.get(Question(node, self._look.circuit.reference, Measure.RESISTANCE))
        if ohms is not None and ohms.value is not None and not self._look.sound(ohms):
            return (at, ohms)
        return (at, live[0]) if live else None

    def _proof_of_lost_reference(self) -> tuple[Seen, ...] | None:
        """A source that is live at its own poles, and dead with the black lead where it was."""
        live = [
            seen
            for seen in self._look.latest.values()
            if seen.question.reference is not None
            and seen.question.measure is Measure.VOLTAGE
            and abs(seen.value or 0.0) > _LIVE_VOLTS
        ]
        dead = [
            seen
            for seen in self._look.latest.values()
            if seen.question.reference is None and not self._look.sound(seen)
        ]
        return (live[0], dead[0]) if live and dead else None

    def _differ(self, one: Seen, other: Seen) -> bool:
        """Whether two touches differ by more than the meter may be off: live on one side, dead or less on the other."""
        if one.value is None or other.value is None:
            return one.value is not other.value
        counts = one.counts + other.counts + AIR_VOLTS
        return abs(one.value - other.value) > counts

    def missing(self, top: Answer) -> Question | None:
        """What would prove the answer: a side of the part, else across it, else its ohms; a dead reading twice."""
        volts, ohms = self._look.overs(top, Measure.VOLTAGE), self._look.overs(top, Measure.RESISTANCE)
        for wanted, again in ((self._sides(top), []), (volts, volts), (ohms, ohms)):
            open_ones = [
                each for each in wanted if each in self._look.dictionary.questions and each not in self._look.latest
            ]
            if open_ones:
                return min(open_ones, key=self._look.minutes)
            for each in again:
                if self._look.touched(each) == 1 and not self._stands(self._look.latest[each]):
                    return each
        return None

    def _sides(self, top: Answer) -> list[Question]:
        parts = [self._look.circuit.by_id.get(place) for place in top]
        return [
            Question(node)
            for place, part in zip(top, parts, strict=True)
            for node in (part.nodes if part else (place,))
        ]
