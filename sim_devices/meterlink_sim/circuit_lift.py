"""A simulated lift after a circuit file: its true values, its faults, and what is done to it."""

import random
from collections.abc import Iterable

from meterlink.circuit.fault import Fault, Faults, Kin, parse_faults
from meterlink.circuit.materials import Span
from meterlink.circuit.parts import REST, Circuit
from meterlink.circuit.solve import Bench, RestlessError, State, chosen
from meterlink.errors import UsageError
from meterlink_sim.mishap import Mishap, Trouble, swapped, tired
from meterlink_sim.scenario import SCENARIOS, Scenario

_EDGE = "X7"
"""The element of the ladder that a circuit file knows as a loop of its own."""

_WANDERS = 0.2
"""How far charge, weather and each closing of a contact move a value within its span from visit to visit, as a share of
it (common practice, no source)."""


class CircuitLift:
    """One lift with its true values, drawn from the spans of its circuit. The supply is on until `isolate`.

    Reading it raises a UsageError where its relays do not come to rest.
    """

    def __init__(
        self,
        rng: random.Random,
        circuit: Circuit,
        faults: Faults,
        situation: str = REST,
        mishaps: Iterable[Mishap] = (),
        *,
        visit: random.Random | None = None,
    ) -> None:
        """Draw the true values.

        Args:
            rng: every value comes from it, the same ones whatever the faults.
            circuit: the circuit.
            faults: what is wrong.
            situation: what the lift is in while its supply is on.
            mishaps: what else is wrong; those of looks and leads are the technician's.
            visit: moves every value a little from one visit to the next; None where there is but one.
        """
        at = {trouble: [each.at for each in mishaps if each.trouble is trouble] for trouble in Trouble}
        self.faults = (*faults, *map(tired, at[Trouble.TIRED]))
        self._flickers = tuple(Fault(Kin.OPEN, part) for part in at[Trouble.FLICKER])
        self._sound, self._swapped = circuit, set(at[Trouble.SWAPPED])
        self._situation = situation

        def true(_place: int, span: Span) -> float:
            usual = rng.uniform(span.low, span.high)
            return usual if visit is None else usual + _WANDERS * (visit.uniform(span.low, span.high) - usual)

        self._values = chosen(circuit, true)
        self.isolated = False
        self._wire()

    def isolate(self) -> None:
        """Take the supply off."""
        self.isolated = True

    def restore(self) -> None:
        """Put the supply back."""
        self.isolated = False

    def repair(self, answer: str | None) -> None:
        """Mend what was named; None: whatever is wrong."""
        wrong = {fault.at for fault in self.faults} | self._swapped
        places = wrong if answer is None else {each.partition(":")[2] for each in answer.split(" + ")}
        self.faults = tuple(fault for fault in self.faults if fault.at not in places)
        if self._swapped & places:
            self._swapped -= places
            self._wire()

    def flicker(self, *, opens: bool) -> None:
        """Let what opens only in motion open, or close again."""
        kept = tuple(fault for fault in self.faults if fault not in self._flickers)
        self.faults = (*kept, *self._flickers) if opens else kept

    def volts(self, point: str, reference: str | None = None, situation: str | None = None) -> float | None:
        """True volts between two points with a meter on them. None: nothing drives the one against the other."""
        if reference is None and any(fault.kin is Kin.REFERENCE for fault in self.faults):
            return None
        return self._bench.reading(self._state(situation), point, reference)

    def ohms(self, point: str, reference: str | None = None, situation: str | None = None) -> float:
        """True ohms between two points; `inf` for no path, and for a live circuit, on which a meter shows no ohms."""
        lost = reference is None and any(fault.kin is Kin.REFERENCE for fault in self.faults)
        if lost or self._supplied(situation):
            return float("inf")
        found = self._bench.resistance(self._state(situation), point, reference)
        return float("inf") if found is None else found

    def neighbours(self, point: str) -> tuple[str, ...]:
        """The points next to one, on which a probe may land on the way."""
        near = [node for part in self.circuit.near(point) for node in part.nodes if node != point]
        return tuple(node for node in dict.fromkeys(near) if node != self.circuit.reference)

    def _wire(self) -> None:
        """Put the circuit together as it is now."""
        self.circuit = self._sound
        for part in sorted(self._swapped):
            self.circuit = swapped(self.circuit, part)
        self._bench = Bench(self.circuit)
        self._states: dict[tuple[str, Faults, bool], State] = {}

    def _supplied(self, situation: str | None) -> bool:
        """Whether any source is joined to the circuit."""
        apart = self.circuit.situations[situation or self._situation].apart
        return not self.isolated and any(part.kind.supplies and part.id not in apart for part in self.circuit.parts)

    def _state(self, situation: str | None) -> State:
        key = situation or self._situation, self.faults, self._supplied(situation)
        if key not in self._states:
            try:
                self._states[key] = self._bench.state(self.faults, key[0], self._values, supplied=key[2])
            except RestlessError as error:
                raise UsageError(f"the simulated lift chatters, and no meter would settle: {error}") from error
        return self._states[key]


def faults_of(circuit: Circuit, address: str, scenario: Scenario | None) -> Faults:
    """What is wrong with a lift: a scenario of the start-up check, or faults as commands write them.

    Raises:
        UsageError: the address names neither.
    """
    if scenario is not None:
        return tuple(_fault(circuit, element, ohms) for element, ohms in scenario.faults.items()) + _weak(scenario)
    try:
        return parse_faults(circuit, address)
    except ValueError as error:
        known = ", ".join(SCENARIOS)
        raise UsageError(f"scenario {address!r}: expected {known}, or a fault of {circuit.name}; {error}") from error


def _fault(circuit: Circuit, element: str, ohms: float) -> Fault:
    at = element if element in circuit.by_id else "B5" if element == _EDGE else element
    return Fault(Kin.OPEN, at) if ohms == float("inf") else Fault(Kin.HIGH, at, ohms)


def _weak(scenario: Scenario) -> Faults:
    low, high = scenario.emf
    return (Fault(Kin.SOURCE, "G1", (low + high) / 2),) if high < 24 else ()
