"""A search for a fault as the engine conducts it: what the technician is asked, step by step, and what answers do.

Pure. The steps are made up as the search goes: a touch where the search wants one, and looks for what only a person can
do: isolate the supply before ohms, repair what is found, or stop.
"""

from collections.abc import Sequence
from decimal import Decimal
from enum import StrEnum

from meterlink.circuit.dictionary import Measure, Question
from meterlink.circuit.elsewhere import elsewhere
from meterlink.circuit.evidence import AS_STATED, MOSTLY_AS_STATED, Seen
from meterlink.circuit.fault import Kin
from meterlink.circuit.page import advice, black_lead, elsewhere_words, finding_json, seen_words
from meterlink.circuit.search import Finding, Search
from meterlink.circuit.seen import seen_of
from meterlink.circuit.tied import Tied
from meterlink.instrument import Instrument
from meterlink.limits import Limits, parse_limits
from meterlink.outcome import Found, Json, Measured, Verdict, VerdictOutcome
from meterlink.procedure.lint import SEARCH_PREFIX
from meterlink.procedure.model import AgreeStep, LookStep, MeasuredStep, ReadingStep, Step, partner_of
from meterlink.reading import Function, Instant, plain

_MOST_TOUCHES = 60
"""A search that has come to no answer by then will not come to one."""

_LIMITS_ARE_WRONG = 0.01
"""How likely nothing is wrong although a step has failed, as a multiple (common practice, no source)."""

_MENDED = 0.02
"""How readily something is at fault again that was mended in this job, as a multiple (common practice, no source)."""


_BESIDES = tuple(f"{kin}:" for kin in (Kin.OPEN, Kin.HIGH, Kin.BRIDGED, Kin.REFERENCE))
"""How faults are named that leave the readings in front of them as they are."""


class Turn(StrEnum):
    """What an answer to a search's question leads to."""

    ON = "on"
    """The search goes on."""
    REPAIRED = "repaired"
    """The fault is mended: its points are proved again."""
    GIVEN_UP = "given-up"


class Hunt:
    """One search, from the step that failed to the repair."""

    def __init__(
        self,
        tied: Tied,
        failed: Step,
        number: int,
        instrument: Instrument | None,
        mended: frozenset[str] = frozenset(),
    ) -> None:
        """Begin.

        Args:
            tied: the procedure and its circuit.
            failed: the step that failed, or the first one where the search begins the job.
            number: of the first step that is made up; ids are never used twice in a job.
            instrument: the meter in hand.
            mended: where faults were mended in this job already.
        """
        self.failed = failed
        self.number = number
        self._tied, self._instrument = tied, instrument
        situation = tied.situation(failed)
        weights, stated = tied.weights(situation), MOSTLY_AS_STATED
        if tied.procedure.begin_with != "find":
            weights[0] *= _LIMITS_ARE_WRONG  # nothing is wrong: the first suspect
            stated = AS_STATED
        for index, answer in enumerate(tied.dictionary(situation).answers):
            if answer and mended.issuperset(answer):
                weights[index] *= _MENDED
        self.search = Search(tied.dictionary(situation), weights, stated)
        self.finding: Finding = self.search.finding()
        self._isolated = False
        self._not_passed = {failed.id}
        """The steps that failed, or were unclear, in the situation that is searched: a repair may have mended them."""
        self.step: Step = failed

    def begin(self, verdicts: Sequence[tuple[Step, Verdict]]) -> None:
        """Take in what the steps judged so far have read in the same situation, in order, and ask the first thing."""
        for step, verdict in verdicts:
            question = self._tied.question(step)
            if (
                question is None
                or verdict.measured is None
                or not isinstance(step, ReadingStep | AgreeStep)
                or self._tied.situation(step) != self.situation
            ):
                continue
            if verdict.outcome is not VerdictOutcome.PASS:
                self._not_passed.add(step.id)
            self.search.take(self._seen(question, verdict.measured))
        self._go_on()

    @property
    def situation(self) -> str:
        """Where it looks."""
        return self.search.dictionary.situation

    def take(self, measured: Measured) -> None:
        """Take in what the touch that was asked for came to."""
        self.search.take(self._seen(self._asked, measured))
        self._go_on()

    def answer(self, *, yes: bool) -> Turn:
        """Take in the answer to a look."""
        if self.finding.sure or self.finding.next is None:
            return Turn.REPAIRED if yes else Turn.GIVEN_UP
        if not yes:
            return Turn.GIVEN_UP
        self._isolated = not self._isolated
        self._ask_touch(self.finding.next.question)
        return Turn.ON

    @property
    def places(self) -> frozenset[str]:
        """Where what was found is; nowhere while nothing is."""
        answer = self.finding.answer
        return frozenset((answer.partition(":")[2],)) if answer else frozenset()

    def touched_by_repair(self) -> list[Step]:
        """The steps to be proved again: those that did not pass, and those at the terminals of what was found.

        A short to earth, a weak source, or who knows what, may have pulled down what they are compared with, too: that
        is read again then.
        """
        places = self.places
        parts = [part for part in self.search.circuit.parts if part.id in places]
        nodes = places | {node for part in parts for node in part.nodes if node != self.search.circuit.reference}
        steps = self._tied.procedure.steps
        again = [
            step
            for step in steps
            if step.id in self._not_passed or (isinstance(step, MeasuredStep) and step.point in nodes)
        ]
        if (self.finding.answer or "").startswith(_BESIDES):
            return again
        for step in again:  # it grows: a partner may have one of its own
            partner = partner_of(step, steps) if isinstance(step, MeasuredStep) else None
            again += [each for each in steps if each is partner and each not in again]
        return [step for step in steps if step in again]

    def found(self, at: Instant) -> Found:
        """Where the search stands."""
        body: Json = {"step": self.failed.id, "touches": len(self.search.touches)}
        return Found({**body, **finding_json(self.search, self.finding)}, at)

    def why(self) -> str:
        """Why the waiting step is asked."""
        if self.finding.answer is not None:
            proof = " and ".join(map(seen_words, self.finding.proof))
            return f"Found: {self.finding.answer}. Proof: {proof}. {' '.join(advice(self.search, self.finding))}"
        if self.finding.next is None:
            likely = ", ".join(f"{each.name} {100 * each.probability:.0f} %" for each in self.finding.faults[:3])
            on = elsewhere_words(elsewhere(self.search, self.finding))
            return f"These readings tell no more apart. Likeliest: {likely}. {on}"
        return self.finding.next.why

    def _go_on(self) -> None:
        finding = self.search.finding()
        if len(self.search.touches) > _MOST_TOUCHES and not finding.sure:
            finding = Finding(finding.faults, sure=False, answer=None, proof=(), next=None, doubtful=finding.doubtful)
        self.finding = finding
        if finding.next is None:
            self.step = self._repair_step()
        elif (finding.next.question.measure is Measure.RESISTANCE) is not self._isolated:
            self.step = self._supply_step()
        else:
            self._ask_touch(finding.next.question)

    def _ask_touch(self, question: Question) -> None:
        self._asked = question
        self.step = self._touch_step(question)

    def _touch_step(self, question: Question) -> ReadingStep:
        reference = self._tied.reference_name(black_lead(self.search.circuit, question))
        ohms = question.measure is Measure.RESISTANCE
        return ReadingStep.model_validate(
            {
                "id": self._next_id(),
                "kind": "reading",
                "point": question.point,
                "reference": reference,
                "measure": (Function.RESISTANCE if ohms else Function.DC_VOLTAGE,),
                "limits": self._sound_limits(question),
            }
        )

    def _supply_step(self) -> LookStep:
        what = "supply back on" if self._isolated else "supply isolated, the charger too, and the point proved dead"
        return self._look("supply", f"Is the {what}?")

    def _repair_step(self) -> LookStep:
        if self.finding.answer is not None:
            (place,) = self.places
            ask = f"Is {self.finding.answer} mended, and the supply back on?"
        else:
            place = self.finding.faults[0].name.partition(":")[2] or "circuit" if self.finding.faults else "circuit"
            ask = "Was the fault found and mended otherwise, and is the supply back on?"
        return self._look(place, ask)

    def _look(self, point: str, ask: str) -> LookStep:
        return LookStep.model_validate({"id": self._next_id(), "kind": "look", "point": point, "ask": ask})

    def _next_id(self) -> str:
        self.number += 1
        return f"{SEARCH_PREFIX}{self.number}"

    def _sound_limits(self, question: Question) -> Limits:
        """What the sound circuit would show there: the band on the screen, and what a touch is settled against."""
        dictionary = self.search.dictionary
        prediction = dictionary.sound(question)
        ohms = question.measure is Measure.RESISTANCE
        if prediction.value is None:
            return parse_limits("OL" if ohms else "0 V ± 0.1 V")
        reach = prediction.spread + (0.0 if ohms else abs(prediction.slope))
        low, high = prediction.value - reach, prediction.value + reach
        if ohms:
            return parse_limits(f"0..{plain(_rounded(max(high, 1.0)))} Ohm")
        return parse_limits(f"{plain(_rounded(low))}..{plain(_rounded(high))} V")

    def _seen(self, question: Question, measured: Measured) -> Seen:
        return seen_of(question, measured.value, self._instrument)


def _rounded(value: float) -> Decimal:
    return Decimal(value).quantize(Decimal("0.01") if abs(value) < 1000 else Decimal(1))
