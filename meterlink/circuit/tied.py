"""A procedure tied to its circuit: which question each step asks of it, and what it makes a step expect. Pure."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from decimal import ROUND_CEILING, ROUND_FLOOR, Decimal
from typing import NamedTuple

from meterlink.circuit.dictionary import Dictionary, Measure, Question
from meterlink.circuit.fault import suspects
from meterlink.circuit.parts import REST, Circuit
from meterlink.circuit.solve import Bench, RestlessError, chosen
from meterlink.circuit.spread import Wanted, spreads
from meterlink.circuit.symptoms import suspected
from meterlink.limits import Limits, parse_limits
from meterlink.procedure.model import (
    DeadStep,
    IntervalStep,
    MeasuredStep,
    OperateStep,
    Procedure,
    ReadingStep,
    Step,
    WatchStep,
)
from meterlink.reading import Function, plain

_LEADS_OHMS = 0.5
"""What test leads add at most (manufacturers' notes: a pair is 0.2 to 0.5 Ohm)."""

_STEP_V = Decimal("0.01")
_STEP_OHM = Decimal("0.1")
_LEAST_WIDTH = Decimal("0.1")
"""Volts: what a dead point may show beside 0 on a sensitive range."""

_MEASURES = {
    Function.DC_VOLTAGE: Measure.VOLTAGE,
    Function.RESISTANCE: Measure.RESISTANCE,
    Function.CONTINUITY: Measure.RESISTANCE,
}

Computed = Mapping[str, str]
"""By step id: the limits that the circuit gives, as text."""


class TiedError(ValueError):
    """A step asks for what its circuit does not have."""

    def __init__(self, step: str, key: str, message: str) -> None:
        self.step, self.key, self.message = step, key, message
        super().__init__(f"step {step}: {message}")


class Proof(NamedTuple):
    """One thing that a step shows of the circuit."""

    question: Question
    situation: str
    limits: Limits
    """What a sound circuit reads there."""


@dataclass(frozen=True, slots=True)
class Tied:
    """A procedure and its circuit."""

    procedure: Procedure
    circuit: Circuit
    bench: Bench
    _dictionaries: dict[str, Dictionary] = field(default_factory=dict)

    def situation(self, step: Step) -> str:
        """The situation in which a step is read."""
        own = step.situation if isinstance(step, MeasuredStep) else None
        return own or self.procedure.situation or REST

    def question(self, step: Step) -> Question | None:
        """What a step asks of the circuit; None where it asks nothing of it.

        A time says nothing of a circuit at rest, and a dead proof only of the situation that makes the point dead.
        """
        if not isinstance(step, MeasuredStep) or step.point not in self.circuit.number:
            return None
        if isinstance(step, IntervalStep) or (isinstance(step, DeadStep) and step.situation is None):
            return None
        measure = _MEASURES.get(step.measure[0])
        reference = self.node(step.reference)
        if measure is None or reference is None or reference == step.point:
            return None
        return Question(step.point, None if reference == self.circuit.reference else reference, measure)

    def proofs(self, step: Step) -> tuple[Proof, ...]:
        """What a step proves of the circuit by limits of its own; a contact that is worked, in both its states."""
        question, situation = self.question(step), self.situation(step)
        if question is None:
            return ()
        if isinstance(step, WatchStep | DeadStep):
            return (Proof(question, situation, step.limits),)
        if not isinstance(step, OperateStep):
            return ()
        at_rest, worked = (step.closed, step.open) if step.begins == "closed" else (step.open, step.closed)
        seen = Proof(question, situation, at_rest)
        return (seen,) if step.worked is None else (seen, Proof(question, step.worked, worked))

    def node(self, reference: str) -> str | None:
        """The circuit's node for a place of the black lead; None where it has none."""
        named = {each.name: each.node for each in self.procedure.references if each.node is not None}
        node = named.get(reference, reference)
        return node if node in self.circuit.number else None

    def reference_name(self, node: str) -> str:
        """What the procedure calls a node where the black lead goes."""
        return next((each.name for each in self.procedure.references if each.node == node), node)

    def dictionary(self, situation: str) -> Dictionary:
        """What would be read in a situation; made once."""
        if situation not in self._dictionaries:
            self._dictionaries[situation] = Dictionary(self.bench, situation)
        return self._dictionaries[situation]

    def weights(self, situation: str) -> list[float]:
        """How readily each suspect is true, weighed by the symptom where the procedure states one."""
        symptom = self.circuit.symptoms.get(self.procedure.symptom or "")
        if symptom is not None:
            return [each.weight for each in suspected(self.bench, symptom, suspects(self.circuit)).suspects]
        return [each.weight for each in self.dictionary(situation).suspects]


def tie(procedure: Procedure, circuit: Circuit) -> Tied:
    """Tie a procedure to its circuit."""
    return Tied(procedure, circuit, Bench(circuit))


def computed_limits(tied: Tied) -> Computed:
    """Work out the limits of every step that expects what the circuit gives.

    Raises:
        TiedError: the circuit has no such point, or it floats in the step's situation.
    """
    return {
        step.id: _expected(tied, step)
        for step in tied.procedure.steps
        if isinstance(step, ReadingStep) and step.expect is not None
    }


def with_limits(procedure: Procedure, computed: Computed) -> Procedure:
    """The procedure with limits in the place of what is to be computed."""
    steps = tuple(
        step.model_copy(
            update={"limits": parse_limits(computed[step.id]), "source": step.source or _source(procedure, step)}
        )
        if isinstance(step, ReadingStep) and step.id in computed
        else step
        for step in procedure.steps
    )
    return procedure.model_copy(update={"steps": steps})


def _source(procedure: Procedure, step: MeasuredStep) -> str:
    situation = step.situation or procedure.situation or REST
    return f"Computed from the circuit {procedure.circuit}, situation {situation}, worst case of its parts"


def _expected(tied: Tied, step: ReadingStep) -> str:
    question = tied.question(step)
    if question is None:
        places = f"point {step.point!r} to {step.reference!r}"
        raise TiedError(step.id, "point", f"the circuit {tied.circuit.name} has no {places}")
    situation = tied.situation(step)
    if situation not in tied.circuit.situations:
        known = ", ".join(tied.circuit.situations)
        raise TiedError(step.id, "situation", f"situation {situation!r}: expected one of {known}")
    try:
        if question.measure is Measure.RESISTANCE:
            return _expected_ohms(tied, step, question, situation)
        return _expected_volts(tied, step, question, situation)
    except RestlessError as error:
        raise TiedError(step.id, "expect", str(error)) from error


def _expected_volts(tied: Tied, step: ReadingStep, question: Question, situation: str) -> str:
    wanted = Wanted(question.point, question.reference)
    spread = spreads(tied.bench, [wanted], situation=situation)[wanted]
    if spread.low is None or spread.high is None:
        raise TiedError(step.id, "expect", f"{step.point} floats in the situation {situation}: nothing can be expected")
    low = Decimal(spread.low).quantize(_STEP_V, ROUND_FLOOR)
    high = Decimal(spread.high).quantize(_STEP_V, ROUND_CEILING)
    if high - low < 2 * _LEAST_WIDTH:
        middle = ((low + high) / 2).quantize(_STEP_V)
        low, high = middle - _LEAST_WIDTH, middle + _LEAST_WIDTH
    return f"{plain(low)}..{plain(high)} V"


def _expected_ohms(tied: Tied, step: ReadingStep, question: Question, situation: str) -> str:
    least_of_all = chosen(tied.circuit, lambda _, span: span.low)
    most_of_all = chosen(tied.circuit, lambda _, span: span.high)
    low, high = (
        tied.bench.resistance(
            tied.bench.state((), situation, values, supplied=False), question.point, question.reference
        )
        for values in (least_of_all, most_of_all)
    )
    if low is None or high is None:
        return "OL"
    least = Decimal(low).quantize(_STEP_OHM, ROUND_FLOOR)
    most = Decimal(high + _LEADS_OHMS).quantize(_STEP_OHM, ROUND_CEILING)
    return f"{plain(least)}..{plain(most)} Ohm"
