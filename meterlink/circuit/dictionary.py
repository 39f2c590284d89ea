"""The fault dictionary: what every question would read under everything that may be wrong."""

from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from enum import StrEnum
from functools import cached_property

from meterlink.circuit.fault import Fault, Faults, Kin, Suspect, leak_span, suspects, weak_span
from meterlink.circuit.parts import REST, Circuit, Part
from meterlink.circuit.solve import METER_OHMS, Bench, RestlessError, State, Values

ACROSS_MINUTES = 0.3
"""What it takes to move the black lead from the reference to a terminal and back (common practice, no source)."""

ISOLATE_MINUTES = 3.0
"""What it takes to isolate the supply, prove it dead and put it back (common practice, no source)."""

SHARED_GAIN = 0.006
"""A hand multimeter's limit of error that goes with the reading, which its touches share (sheets: 0.5 to 0.8 %)."""

_SILENT = 0.05
"""How readily something is suspected that changes no reading in the situation, as a multiple (common practice, no
source): a bridge across a closed contact hides a danger, but it is not why the voltage is lost here."""

_CROOKED = 0.03
"""Of what a size may change a reading by: so far readings at two points may part from one another as it grows."""

_TINY = 5e-3
"""Volts that no hand multimeter shows on the range that a 24 V control asks for."""

_LEAST_SPREAD = 0.02
"""Volts that any part of a circuit may be off from what its nominal values give."""


_SAGS = 0.998
"""A short to earth under which the source sags to that share carries amperes; one on a dead wire moves nothing."""


class Measure(StrEnum):
    """What the meter's dial is set to."""

    VOLTAGE = "voltage"
    """With the supply on."""
    RESISTANCE = "resistance"
    """With the supply isolated."""


@dataclass(frozen=True, slots=True, order=True)
class Question:
    """One thing that a touch can answer."""

    point: str
    """Where the red lead goes."""
    reference: str | None = None
    """Where the black lead goes; None: the circuit's reference."""
    measure: Measure = Measure.VOLTAGE

    def __str__(self) -> str:
        return self.point if self.reference is None else f"{self.point} to {self.reference}"


@dataclass(frozen=True, slots=True)
class Prediction:
    """What a question would read."""

    value: float | None
    """In V or Ohm, at the nominal supply. None: the point floats, or there is no path."""
    spread: float
    """How far it may lie beside that for another reason than the level of the supply, in the same unit."""
    slope: float = 0.0
    """How far it rises when the supply stands at the high end of its span, and the meter reads as high as it may."""
    bend: float = 0.0
    """How far it rises when a fault of some size has the largest that its suspect stands for, instead of the middle."""


@dataclass
class Dictionary:
    """Everything that may be wrong with a circuit in one situation, and what would be read; worked out as asked."""

    bench: Bench
    situation: str = REST
    meter_ohms: float = METER_OHMS
    _states: dict[tuple[Faults, bool], State | None] = field(default_factory=dict)
    _tables: dict[Question, list[Prediction | None]] = field(default_factory=dict)
    _leaning: dict[tuple[Fault | int, ...], State | None] = field(default_factory=dict)
    _sound: dict[Question, Prediction] = field(default_factory=dict)
    _all: dict[Faults, dict[str, float | None]] = field(default_factory=dict)

    @property
    def circuit(self) -> Circuit:
        """The circuit."""
        return self.bench.circuit

    @cached_property
    def suspects(self) -> tuple[Suspect, ...]:
        """Everything that is looked for, pairs too. What changes no reading in this situation explains little here."""
        known = suspects(self.circuit)
        silent = {each.faults for each in known if len(each.faults) == 1 and self._changes_nothing(each.faults)}
        weighed = [
            replace(each, weight=each.weight * _SILENT) if any((fault,) in silent for fault in each.faults) else each
            for each in known
        ]
        total = 0.0
        for each in weighed:
            total += each.weight
        return tuple(replace(each, weight=each.weight / total) for each in weighed)

    @cached_property
    def answers(self) -> tuple[tuple[str, ...], ...]:
        """Where each suspect is: the parts and points that somebody would repair."""
        return tuple(tuple(sorted({fault.at for fault in each.faults})) for each in self.suspects)

    def _changes_nothing(self, faults: Faults) -> bool:
        """Whether every point reads as in the sound circuit: an open of what is open, a bridge of what is closed."""
        if faults[0].kin is Kin.REFERENCE:
            return False
        sound, faulty = self._readings(()), self._readings(faults)
        if sound is None or faulty is None:
            return False
        return all(
            (sound[node] is None) is (faulty[node] is None)
            and abs((sound[node] or 0.0) - (faulty[node] or 0.0)) < _TINY
            for node in sound
        )

    def _readings(self, faults: Faults) -> dict[str, float | None] | None:
        """Every point to the reference; None where the relays do not come to rest."""
        state = self.state(faults)
        if state is not None and faults not in self._all:
            self._all[faults] = self.bench.readings(state, self.meter_ohms)
        return self._all.get(faults)

    @cached_property
    def supply(self) -> float:
        """Volts of the highest source."""
        return max((part.volts.nominal for part in self.circuit.parts if part.volts), default=0.0)

    @cached_property
    def supply_spread(self) -> float:
        """How far the level of the supply may lie beside its nominal one, as a share."""
        spans = [part.volts for part in self.circuit.parts if part.volts and part.volts.nominal > 0]
        return max(((span.high - span.low) / 2 / span.nominal for span in spans), default=0.0)

    @property
    def level(self) -> float:
        """How far all voltages may lie beside the nominal ones together, as a share: supply and the meter's gain."""
        return self.supply_spread + SHARED_GAIN

    @cached_property
    def questions(self) -> tuple[Question, ...]:
        """Every question: each point to the reference, across each part, and each part's resistance."""
        circuit = self.circuit
        points = [node for node in circuit.nodes[1:] if circuit.points[node].probe]
        reachable = {circuit.reference, *points}
        parts = [part for part in circuit.parts if reachable.issuperset(part.nodes)]
        to_reference = [Question(node) for node in points]
        # A source is measured at its own poles even where one is the reference: the black lead is moved for it.
        across = [
            _across(part, Measure.VOLTAGE)
            for part in parts
            if part.kind.supplies or circuit.reference not in part.nodes
        ]
        ohms = [_across(part, Measure.RESISTANCE) for part in parts if not part.kind.supplies]
        known = {frozenset((each.point, each.reference)) for each in ohms}
        to_earth = [
            Question(node, circuit.reference, Measure.RESISTANCE)
            for node in points
            if frozenset((node, circuit.reference)) not in known
        ]
        return tuple(dict.fromkeys((*to_reference, *across, *ohms, *to_earth)))

    def minutes(self, question: Question) -> float:
        """What it takes to ask a question, with the supply as it must be for it."""
        points = self.circuit.points
        time = points[question.point].minutes
        if question.reference is not None:
            time = max(time, points[question.reference].minutes) + ACROSS_MINUTES
            time = max((time, *(part.minutes or 0.0 for part in self._between(question))))
        return time

    def predict(self, index: int, question: Question) -> Prediction:
        """What a question would read if a suspect, by its place among them, were true."""
        table = self._tables.get(question)
        if table is None:
            table = self._tables[question] = [None] * len(self.suspects)
        known = table[index]
        if known is None:
            known = table[index] = self.predicted(self.suspects[index].faults, question)
        return known

    def sound(self, question: Question) -> Prediction:
        """What a question reads where nothing is wrong."""
        if question not in self._sound:
            self._sound[question] = self.predicted((), question)
        return self._sound[question]

    def state(self, faults: Faults, *, supplied: bool = True) -> State | None:
        """The circuit with these faults; None where its relays do not come to rest."""
        key = faults, supplied
        if key not in self._states:
            try:
                self._states[key] = self.bench.state(faults, self.situation, supplied=supplied)
            except RestlessError:
                self._states[key] = None
        return self._states[key]

    def predicted(self, faults: Faults, question: Question) -> Prediction:
        """What a question would read if these faults were there."""
        if any(fault.kin is Kin.REFERENCE for fault in faults) and question.reference is None:
            return Prediction(None, 0.0)
        least, most = (self._value(each, question) for each in _sizes(faults, self.circuit))
        if least is None or most is None:
            known = most if least is None else least
            least = most = known
        if least is None or most is None:
            return Prediction(None, 0.0)
        middle, bend = (least + most) / 2, (most - least) / 2
        crooked = 0.0 if any(fault.kin is Kin.SOURCE for fault in faults) else _CROOKED * abs(bend)
        if question.measure is Measure.RESISTANCE:
            return Prediction(middle, crooked + 0.15 * middle + 0.5, bend=bend)  # tolerances; 0.2 to 0.5 Ohm of leads
        shared, own = self._shifts(faults, question)
        shorted = any(fault.kin is Kin.EARTH for fault in faults) and self._top(faults) < _SAGS * self._top(())
        # A short takes its share of what the source's own resistance drops: of all its volts, not of what is left.
        top = self.supply if shorted else self._top(faults)
        spread = crooked + self._doubt(middle, top, shorted=shorted) + own
        return Prediction(middle, spread, shared + middle * SHARED_GAIN, bend)

    def _shifts(self, faults: Faults, question: Question) -> tuple[float, float]:
        """What the sources move a voltage by, each from nominal to the high end of its span: all together, and beside
        that each by itself, for they need not stand high at the same time.
        """
        sources = [(index, part.volts) for index, part in enumerate(self.circuit.parts) if part.volts]
        volts = self._value(faults, question) or 0.0
        if len(sources) < 2 or len(faults) > 1:
            return volts * self.supply_spread, 0.0
        apart, together = 0.0, 0.0
        for index, span in sources:
            key: tuple[Fault | int, ...] = (*faults, index)
            if key not in self._leaning:
                self._leaning[key] = self._lean(faults, index, span.nominal + (span.high - span.low) / 2)
            state = self._leaning[key]
            if state is not None:
                shown = self.bench.reading(state, question.point, question.reference, self.meter_ohms)
                shift = 0.0 if shown is None else shown - volts
                apart += abs(shift)
                together += shift
        return together, apart - abs(together)

    def _lean(self, faults: Faults, index: int, volts: float) -> State | None:
        """The circuit with one source at the high end of its span."""
        nominal = self.bench.nominal
        values = Values(nominal.ohms, (*nominal.volts[:index], volts, *nominal.volts[index + 1 :]))
        try:
            return self.bench.state(faults, self.situation, values)
        except RestlessError:
            return None

    def _top(self, faults: Faults) -> float:
        """Volts of the highest point under a fault: what the others are parts of."""
        known = self._readings(faults) or {}
        return max((abs(value) for value in known.values() if value is not None), default=0.0)

    def _doubt(self, volts: float, top: float, *, shorted: bool) -> float:
        """How far the parts' tolerances may move a voltage: by the divider that it is a part of.

        Near the supply, or near 0, what drops may well be none or twice as much; in between, both arms of a divider
        with some ten per cent of tolerance each move it by up to a quarter of a(1 - a). With a short to earth the
        arms are leads and joints, of which little more is known than their order of size.
        """
        share = min(abs(volts) / top, 1.0) if top else 0.0
        weight = share * (1 - share)
        if shorted:
            return _LEAST_SPREAD + min(2 * top * weight, 0.85 * abs(volts))
        return _LEAST_SPREAD + top * min(weight, 0.01 + 0.24 * weight)

    def _value(self, faults: Faults, question: Question) -> float | None:
        state = self.state(faults, supplied=question.measure is Measure.VOLTAGE)
        if state is None:
            return None
        if question.measure is Measure.RESISTANCE:
            return self.bench.resistance(state, question.point, question.reference)
        if question.reference is None:
            known = self._readings(faults)
            return known[question.point] if known else None
        return self.bench.reading(state, question.point, question.reference, self.meter_ohms)

    def _between(self, question: Question) -> Iterable[Part]:
        ends = {question.point, question.reference}
        return (part for part in self.circuit.parts if ends == set(part.nodes))


def _across(part: Part, measure: Measure) -> Question:
    """A question with the red lead on the side of a part that comes first in the file; on the plus of a source."""
    return Question(*(part.nodes[::-1] if part.kind.supplies else part.nodes), measure)


def _sizes(faults: Faults, circuit: Circuit) -> list[Faults]:
    """The same faults at the small and the large end of the sizes that they stand for."""
    for index, fault in enumerate(faults):
        if fault.size is not None:
            return [
                (*faults[:index], Fault(fault.kin, fault.at, size), *faults[index + 1 :])
                for size in _ends(fault, circuit)
            ]
    return [faults, faults]


def _ends(fault: Fault, circuit: Circuit) -> tuple[float, float]:
    size = fault.size or 0.0
    if fault.kin is Kin.HIGH:
        return leak_span(size)
    volts = circuit.by_id[fault.at].volts
    full = volts.nominal if volts else 0.0
    low, high = weak_span(size / full) if full else (1.0, 1.0)
    return low * full, high * full
