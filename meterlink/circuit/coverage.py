"""Which faults of its circuit a procedure would catch, which it would not, and what would close the gap. Pure.

Every single fault is taken through every step: what the point would read then, at the lowest, the usual and the highest
supply, judged by the step's own limits and rule with the meter's uncertainty. A fault counts as caught where at every
supply some step does not pass.
"""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from decimal import Decimal
from fnmatch import fnmatchcase

from meterlink.circuit.dictionary import Measure, Question
from meterlink.circuit.fault import HIGH_OHMS, Fault, Faults, Kin, name_of, single_faults
from meterlink.circuit.materials import Span
from meterlink.circuit.parts import Circuit, Part
from meterlink.circuit.solve import RestlessError, State, Values, chosen
from meterlink.circuit.tied import Proof, Tied
from meterlink.contact import STRAY
from meterlink.instrument import Instrument
from meterlink.judging.budget import Budget, Shown
from meterlink.judging.judge import Judge
from meterlink.limits import Limits
from meterlink.outcome import Measured, VerdictOutcome
from meterlink.procedure.model import AgreeStep, DeadStep, MeasuredStep, ReadingStep, TimedStep, partner_of
from meterlink.procedure.relative import relative_limits
from meterlink.reading import Function, Instant

_START = Instant(0, 0)
_LEADS_OHMS = 0.3
_FUNCTIONS = {Measure.VOLTAGE: Function.DC_VOLTAGE, Measure.RESISTANCE: Function.RESISTANCE}


@dataclass(frozen=True, slots=True)
class Gap:
    """A fault that no step would catch."""

    fault: str
    passed_by: tuple[str, ...]
    """The steps that touch the faulty part, or its point, and would pass it wrongly."""
    closed_by: str | None
    """The reading that would show it, in words; None where none in this circuit would."""
    reason: str | None
    """Why the procedure accepts it; None where it says nothing."""


@dataclass(frozen=True, slots=True)
class Coverage:
    """What a procedure catches."""

    caught: Mapping[str, tuple[str, ...]]
    """By fault: the steps that would not pass at the usual supply."""
    noticed: Mapping[str, frozenset[str]]
    """By fault that is caught: the steps that would not pass at one supply or another, or whose point floats then, so
    that the meter may show anything."""
    gaps: tuple[Gap, ...]
    false_alarms: tuple[str, ...]
    """Steps that would not pass on a sound circuit at some supply."""
    adrift: Mapping[str, Proof]
    """Steps that prove something at a point that nothing drives then, by limits that stray voltage may leave."""
    idle_reasons: tuple[str, ...]
    """Faults that the procedure accepts uncaught, although none of that name is."""


def coverage(tied: Tied, instrument: Instrument) -> Coverage:
    """Take every single fault through a procedure.

    Args:
        tied: the procedure, its limits worked out, and its circuit.
        instrument: the meter whose uncertainty counts.
    """
    walker = _Walker(tied, instrument)
    sound = [walker.walk((), values) for values in walker.supplies]
    alarms = [step for step in walker.steps if any(walk.get(step) not in (None, VerdictOutcome.PASS) for walk in sound)]
    caught: dict[str, tuple[str, ...]] = {}
    noticed: dict[str, frozenset[str]] = {}
    missed: list[Faults] = []
    for faults in faults_of(tied.circuit):
        walks = [walker.walk(faults, values) for values in walker.supplies]
        catching = [[step for step, outcome in walk.items() if outcome is not VerdictOutcome.PASS] for walk in walks]
        if all(catching):
            caught[name_of(faults)] = tuple(catching[1])
            noticed[name_of(faults)] = frozenset(walker.floating(faults)).union(*catching)
        else:
            missed.append(faults)
    accepted = {each.fault: each.reason for each in tied.procedure.uncaught}
    gaps = [walker.gap(faults, accepted) for faults in missed]
    names = {gap.fault for gap in gaps}
    idle = [pattern for pattern in accepted if not any(fnmatchcase(name, pattern) for name in names)]
    return Coverage(caught, noticed, tuple(gaps), tuple(alarms), dict(walker.adrift()), tuple(idle))


def not_passing(tied: Tied, instrument: Instrument, faults: Faults = ()) -> frozenset[str]:
    """The steps that would not pass with these faults, at one supply or another, or whose point floats then.

    Args:
        tied: the procedure, its limits worked out, and its circuit, which may be wired otherwise than it should be.
        instrument: the meter whose uncertainty counts.
        faults: what is wrong.
    """
    walker = _Walker(tied, instrument)
    walks = [walker.walk(faults, values) for values in walker.supplies]
    failing = [[step for step, outcome in walk.items() if outcome is not VerdictOutcome.PASS] for walk in walks]
    return frozenset(walker.floating(faults)).union(*failing)


def faults_of(circuit: Circuit) -> Iterator[Faults]:
    """Every single fault of a typical size: a contact as worn as its file says, any other joint with 100 Ohm more."""
    for suspect in single_faults(circuit):
        if not suspect.faults:
            continue
        (fault,) = suspect.faults
        if fault.kin is Kin.HIGH:
            worn = circuit.by_id[fault.at].worn
            fault = Fault(Kin.HIGH, fault.at, worn.nominal if worn else HIGH_OHMS)
        yield (fault,)


class _Walker:
    """Takes faults through the steps of a procedure."""

    def __init__(self, tied: Tied, instrument: Instrument) -> None:
        self._tied, self._instrument = tied, instrument
        self.steps = {step.id: step for step in tied.procedure.steps if tied.question(step) is not None}
        circuit = tied.circuit

        def at(level: int) -> Values:
            def choose(_: int, span: Span) -> float:
                return (span.low, span.nominal, span.high)[level]

            middle = chosen(circuit, lambda _, span: span.nominal)
            return Values(middle.ohms, chosen(circuit, choose).volts)

        self.supplies = [at(0), at(1), at(2)]
        self._states: dict[tuple[Faults, str, Values, bool], State | None] = {}

    def walk(self, faults: Faults, values: Values) -> dict[str, VerdictOutcome]:
        """What each step that the circuit knows would come to."""
        outcomes: dict[str, VerdictOutcome] = {}
        read: dict[str, Measured] = {}
        budgets: dict[str, Budget] = {}
        for step in self._tied.procedure.steps:
            question = self._tied.question(step)
            if not isinstance(step, MeasuredStep) or question is None:
                continue
            if not isinstance(step, ReadingStep | AgreeStep):
                outcomes[step.id] = self._proved(step, faults, values)
                continue
            partner = partner_of(step, self._tied.procedure.steps)
            if partner is not None and partner.id not in read:
                continue
            value = self._value(question, faults, self._tied.situation(step), values)
            limits = self._limits(step, read.get(partner.id) if partner else None)
            judge = Judge(
                limits=limits,
                decision=self._tied.procedure.decision(step),
                instrument=self._instrument,
                partner=budgets.get(partner.id) if partner else None,
                share=step.limits.largest_share if isinstance(step, ReadingStep) else Decimal(0),
            )
            unit = "V" if question.measure is Measure.VOLTAGE else "Ohm"
            read[step.id] = Measured(value, unit)
            if value is None:
                outcomes[step.id] = judge.judge_overload(unit, None if limits.high is None else limits.high).outcome
                continue
            outcomes[step.id], budget = judge.outcome(self._shown(value, question))
            if budget is not None:
                budgets[step.id] = budget
        return outcomes

    def floating(self, faults: Faults) -> Iterator[str]:
        """The steps whose point nothing drives then, though something does where nothing is wrong."""
        for step_id, step in self.steps.items():
            question = self._tied.question(step)
            if question is None or question.measure is not Measure.VOLTAGE:
                continue
            places = {proof.situation for proof in self._tied.proofs(step)} or {self._tied.situation(step)}
            if any(self._floats(question, faults, place) and not self._floats(question, (), place) for place in places):
                yield step_id

    def adrift(self) -> Iterator[tuple[str, Proof]]:
        """The steps that prove something where a sound circuit floats, by limits too narrow for stray voltage."""
        for step_id, step in self.steps.items():
            for proof in self._tied.proofs(step):
                wide_enough = proof.limits.accept(STRAY) and proof.limits.accept(-STRAY)
                volts = proof.question.measure is Measure.VOLTAGE
                if volts and not wide_enough and self._floats(proof.question, (), proof.situation):
                    yield step_id, proof

    def _floats(self, question: Question, faults: Faults, situation: str) -> bool:
        state = self._state(faults, situation, self.supplies[1], supplied=True)
        return state is not None and self._tied.bench.reading(state, question.point, question.reference) is None

    def _proved(self, step: TimedStep | DeadStep, faults: Faults, values: Values) -> VerdictOutcome:
        """What a step comes to that proves several things, or one by limits of its own: not passed if any is not."""
        for question, situation, limits in self._tied.proofs(step):
            value = self._value(question, faults, situation, values)
            judge = Judge(limits, self._tied.procedure.decision(step), self._instrument)
            unit = "V" if question.measure is Measure.VOLTAGE else "Ohm"
            if value is None:
                outcome = judge.judge_overload(unit, limits.high).outcome
            else:
                outcome, _ = judge.outcome(self._shown(value, question))
            if outcome is not VerdictOutcome.PASS:
                return outcome
        return VerdictOutcome.PASS

    def _limits(self, step: ReadingStep | AgreeStep, partner: Measured | None) -> Limits:
        if isinstance(step, ReadingStep) and step.limits.relative_to is None:
            return step.limits
        return relative_limits(step, partner)

    def _shown(self, value: Decimal, question: Question) -> Shown:
        unit = "V" if question.measure is Measure.VOLTAGE else "Ohm"
        return Shown(
            value=value,
            unit=unit,
            function=_FUNCTIONS[question.measure],
            resolution=Decimal(0),
            deviation=Decimal(0),
            readings=1,
            at=_START,
            wire_tells_range=False,
        )

    def _value(self, question: Question, faults: Faults, situation: str, values: Values) -> Decimal | None:
        """What a meter would show; None for OL. A point that floats shows next to nothing, or anything."""
        if question.reference is None and any(fault.kin is Kin.REFERENCE for fault in faults):
            return Decimal(0) if question.measure is Measure.VOLTAGE else None
        state = self._state(faults, situation, values, supplied=question.measure is Measure.VOLTAGE)
        if state is None:
            return Decimal(0) if question.measure is Measure.VOLTAGE else None
        bench = self._tied.bench
        if question.measure is Measure.RESISTANCE:
            ohms = bench.resistance(state, question.point, question.reference)
            return None if ohms is None else Decimal(str(round(ohms + _LEADS_OHMS, 1)))
        volts = bench.reading(state, question.point, question.reference)
        return Decimal(str(round(volts or 0.0, 2)))

    def _state(self, faults: Faults, situation: str, values: Values, *, supplied: bool) -> State | None:
        key = faults, situation, values, supplied
        if key not in self._states:
            try:
                self._states[key] = self._tied.bench.state(faults, situation, values, supplied=supplied)
            except RestlessError:
                self._states[key] = None
        return self._states[key]

    # Gaps

    def gap(self, faults: Faults, accepted: Mapping[str, str]) -> Gap:
        """What is to be said of a fault that is not caught."""
        name = name_of(faults)
        (fault,) = faults
        part = self._tied.circuit.by_id.get(fault.at)
        nodes = set(part.nodes) if part else {fault.at}
        passed = [
            step_id
            for step_id, step in self.steps.items()
            if isinstance(step, MeasuredStep) and {step.point, self._tied.node(step.reference)} & nodes - {self._ground}
        ]
        reason = next((why for pattern, why in accepted.items() if fnmatchcase(name, pattern)), None)
        return Gap(name, tuple(passed), None if reason else self._closing(faults, part), reason)

    @property
    def _ground(self) -> str:
        return self._tied.circuit.reference

    def _closing(self, faults: Faults, part: Part | None) -> str | None:
        """The first reading that would tell the fault from a sound circuit, the handiest first."""
        asked = {
            (self._tied.question(step), self._tied.situation(step)): step_id for step_id, step in self.steps.items()
        }
        for words, question, situation in self._candidates(part, faults[0]):
            if self._tells(question, faults, situation):
                step = asked.get((question, situation))
                return f"give {step} narrower limits" if step else words
        return None

    def _candidates(self, part: Part | None, fault: Fault) -> Iterator[tuple[str, Question, str]]:
        circuit = self._tied.circuit
        usual = self._tied.procedure.situation or "rest"
        points = [node for node in circuit.nodes[1:] if circuit.points[node].probe]
        near = [*(part.nodes if part else (fault.at,))]
        ordered = [node for node in dict.fromkeys((*near[::-1], *points)) if node in points]
        for situation in _usual_first(circuit, usual):
            where = "" if situation == usual else f" in the situation {situation}"
            if part is not None and self._ground not in part.nodes:
                question = Question(part.tail, part.head)
                yield f"read across {part.id}, {question}{where}", question, situation
            for node in ordered:
                yield f"read {node}{where}", Question(node), situation
        for situation in _usual_first(circuit, usual):
            where = "" if situation == usual else f", in the situation {situation}"
            if part is not None:
                ohms = Question(*part.nodes, Measure.RESISTANCE)
                yield f"measure {part.id} in ohms with the supply isolated{where}", ohms, situation

    def _tells(self, question: Question, faults: Faults, situation: str) -> bool:
        """Whether a reading differs at every supply by more than the meter may be off, twice, and parts may vary."""
        spread = self._tied.dictionary(situation).sound(question).spread
        for values in self.supplies:
            sound = self._value(question, (), situation, values)
            faulty = self._value(question, faults, situation, values)
            if (sound is None) is not (faulty is None):
                continue
            if sound is None or faulty is None:
                return False
            unsure = self._expanded(sound, question) + self._expanded(faulty, question)
            if abs(sound - faulty) <= unsure + Decimal(str(round(spread, 3))):
                return False
        return True

    def _expanded(self, value: Decimal, question: Question) -> Decimal:
        row = self._instrument.sheet.smallest(_FUNCTIONS[question.measure], value)
        return row.limit_of_error(value) if row is not None else abs(value)


def _usual_first(circuit: Circuit, usual: str) -> Iterable[str]:
    return dict.fromkeys((usual, *circuit.situations))
