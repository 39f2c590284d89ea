"""A simulated job: lift, meter and technician in one virtual time, and the truth about all they did."""

import random
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from itertools import count
from math import isinf

from meterlink.circuit.fault import Faults
from meterlink.circuit.page import OWN_POLE
from meterlink.circuit.parts import REST, Circuit
from meterlink.errors import UsageError
from meterlink.outcome import Answer, Input
from meterlink.procedure.model import (
    AgreeStep,
    DeadStep,
    IntervalStep,
    LookStep,
    MeasuredStep,
    OperateStep,
    Procedure,
    ReadingStep,
    Step,
)
from meterlink.reading import NS_PER_S, Function, Instant, Reading
from meterlink_sim.bench import Slips
from meterlink_sim.circuit import POINTS, Lift
from meterlink_sim.circuit_lift import CircuitLift
from meterlink_sim.hands import Technician, isolates, restores
from meterlink_sim.meter import RANGES, Meter, Stretch
from meterlink_sim.mishap import Mishap, Trouble
from meterlink_sim.scenario import Scenario

_START = Instant(0, 0)

_LASTS_S = (2.5, 4.5)
"""How long a sound lock stays released (common practice, no source)."""

_LATE_S = 30.0
"""And how much longer one whose timer or bolt does not do as it should."""


@dataclass(slots=True)
class TrueTouch:
    """One contact of the probes with a point, bounces included; a slip begins another. Times in seconds."""

    point: str
    step: str
    """The step that it was meant for; a brush against a neighbouring point counts as meant for the same."""
    function: Function
    value: float | None
    """What is really there, in the function's unit; `inf` for no path. None: the point floats, nothing drives it."""
    start: float
    end: float | None = None
    """None while it lasts."""
    settled_at: float | None = None
    """When the display first showed the final value, within one count on the final range. None: not in this touch."""


@dataclass(frozen=True, slots=True)
class TrueStep:
    """What a step must come to."""

    value: float | None
    """In the unit of the step's function, `inf` for no path; None for a look, or where the point floats."""
    must_pass: bool | None
    """None where a floating point leaves it to chance."""


@dataclass(frozen=True, slots=True)
class Truth:
    """What a check can be judged by. The touches grow as the job goes on."""

    steps: Mapping[str, TrueStep]
    touches: list[TrueTouch] = field(default_factory=list)


class SimulatedJob:
    """One job of one technician on one lift. The same arguments and the same announcements give the same events.

    Use it in a loop: `advance`, hand on what it returns, `hear` what the check says about that.
    """

    def __init__(
        self,
        procedure: Procedure,
        scenario: Scenario,
        seed: int | str = 0,
        *,
        rate: float = 3.0,
        noise: float = 1.0,
        slips: float = 1.0,
        start: Instant = _START,
        circuit: Circuit | None = None,
        faults: Faults = (),
        repairs: bool = False,
        mishaps: Iterable[Mishap] = (),
        lift: str | None = None,
        meter: str | None = None,
    ) -> None:
        """Draw the lift, the meter and the technician.

        Args:
            procedure: what the technician has learnt to do.
            scenario: what is wrong with the lift.
            seed: every chance comes from it; 7 and `7` are one seed.
            rate: updates of the display a second.
            noise: flicker of the last digit, as a multiple of the usual.
            slips: how often the technician slips, as a multiple of the usual.
            start: the moment of virtual time 0.
            circuit: the lift's, instead of the ladder of the start-up check; the scenario does not count then.
            faults: what is wrong with it.
            repairs: whether the technician mends what a search finds.
            mishaps: what is wrong beyond the circuit's faults; those of parts count with a circuit only.
            lift: which lift, where the seed is that of one of several visits to it; its circuit is needed.
            meter: which meter, where several visits are made with it.

        Raises:
            UsageError: the procedure asks for a point or a function that the simulation does not have.
        """
        _check(procedure, POINTS if circuit is None else circuit.nodes)
        self._start = start
        self._nodes = {each.name: each.node for each in procedure.references if each.node is not None}
        self._mishaps = frozenset(mishaps)

        def drawn() -> Lift | CircuitLift:
            rng = random.Random(f"lift {seed if lift is None else lift}")
            if circuit is None:
                return Lift(rng, scenario.emf, scenario.faults)
            visit = None if lift is None else random.Random(f"visit {seed}")
            return CircuitLift(rng, circuit, faults, procedure.situation or REST, self._mishaps, visit=visit)

        self._lift = drawn()
        self._lasts = random.Random(f"locks {seed}")
        self._seen: set[str] = set()
        self._worked = False
        self._lead_broken = False
        self.update_s = 1 / rate
        """From one update of the display to the next, in virtual seconds."""
        own = None if meter is None else random.Random(f"meter {meter}")
        self._meter = Meter(random.Random(f"meter {seed}"), noise, own)
        steps = {step.id: step for step in procedure.steps}
        rng = random.Random(f"hands {seed}")
        self._hands = Technician(steps, self, Slips().times(slips), rng, repairs=repairs)
        self.truth = Truth(self._true_steps(procedure, drawn()))
        self._updates = (number / rate for number in count(1))
        self._next_update = next(self._updates)
        self._since = 0.0
        self._stretches: list[Stretch] = []
        self._touch: TrueTouch | None = None
        self._meant: MeasuredStep | None = None
        self._in_contact = False
        self._presses: list[Input] = []
        self.now = 0.0
        """Virtual time, in seconds."""
        self.shown: Reading | None = None
        """The last update of the display."""

    @property
    def due(self) -> float:
        """When something happens next, in virtual seconds."""
        return min(self._hands.wake, self._next_update)

    def advance(self) -> list[Reading | Input]:
        """Move to `due` and return what comes out there: an update, answers, or nothing to be seen."""
        self.now = max(self.now, self.due)
        if self._hands.wake <= self._next_update:
            self._hands.act()
            presses, self._presses = self._presses, []
            return [*presses]
        return [self._update()]

    def hear(self, announcement: Mapping[str, object], at: float | None = None) -> None:
        """Let the technician hear an announcement in its JSON form.

        Args:
            announcement: one event as the check prints it.
            at: when, in virtual seconds; None for now. A moment outside now..due is taken as the nearer end.
        """
        if at is not None:
            self.now = min(max(self.now, at), self.due)
        self._hands.hear(announcement)

    def instant(self, seconds: float) -> Instant:
        """A virtual time as both clocks show it."""
        passed = round(seconds * NS_PER_S)
        return Instant(self._start.monotonic_ns + passed, self._start.utc_ns + passed)

    # What the technician's hands act on

    @property
    def function(self) -> Function:
        """Where the dial stands."""
        return self._meter.function

    def begin_touch(self, point: str, step: MeasuredStep) -> None:
        """Lay the red probe on a point; meant for a step, which says where the black lead is."""
        self._close_stretch()
        self._worked, self._meant = False, step
        value = self._value(self._lift, point, step, self.function)
        self._touch = TrueTouch(point, step.id, self.function, value, self.now)
        self._in_contact = True
        self.truth.touches.append(self._touch)

    def work(self, step: OperateStep | IntervalStep, *, worked: bool) -> None:
        """Work by hand what a step asks for, or let it go; the probes stay on.

        Raises:
            UsageError: the step does not say which situation that is.
        """
        if step.worked is None:
            raise UsageError(f"step {step.id}: `worked` does not say in which situation the circuit is then")
        self._worked = worked
        self._read_anew()

    def lasts(self, step: IntervalStep) -> float:
        """How long what was worked takes to end by itself, in seconds."""
        late = Mishap(Trouble.LATE, step.id) in self._mishaps
        return self._lasts.uniform(*_LASTS_S) + (_LATE_S if late else 0.0)

    def jolt(self, *, opens: bool) -> None:
        """Pass the place of the travel where what opens only in motion opens, or leave it."""
        if isinstance(self._lift, CircuitLift):
            self._lift.flicker(opens=opens)
            self._read_anew()

    def bend_leads(self, step: DeadStep) -> None:
        """Take the leads elsewhere after a point was found dead; one may break."""
        self._lead_broken = Mishap(Trouble.LEAD, step.id) in self._mishaps

    def amiss(self, step: Step) -> bool:
        """Whether what a step asks to be seen is not so; once seen, it is put right."""
        first = step.id not in self._seen
        self._seen.add(step.id)
        return first and Mishap(Trouble.AMISS, step.id) in self._mishaps

    def bounce(self) -> None:
        """Lose contact for an instant, or find it again, within one touch."""
        self._close_stretch()
        self._in_contact = not self._in_contact

    def lift(self) -> None:
        """Take the probes off."""
        self._close_stretch()
        if self._touch is not None:
            self._touch.end = self.now
        self._touch, self._in_contact = None, False

    def turn_dial(self, function: Function) -> None:
        """Turn the dial."""
        self._close_stretch()
        self._meter.turn_to(function)

    def press_hold(self) -> None:
        """Press the meter's HOLD key."""
        self._meter.press_hold()

    def isolate(self) -> None:
        """Take the supply off."""
        self._close_stretch()
        self._lift.isolate()

    def restore(self) -> None:
        """Put the supply back."""
        self._close_stretch()
        self._lift.restore()

    def repair(self, answer: str | None) -> None:
        """Mend what a search has named; None: whatever is wrong."""
        self._close_stretch()
        self._lift.repair(answer)

    def neighbours(self, point: str) -> tuple[str, ...]:
        """The points next to one."""
        return self._lift.neighbours(point)

    def press(self, answer: Answer) -> None:
        """Answer the check."""
        self._presses.append(Input(answer, self.instant(self.now)))

    def _true_steps(self, procedure: Procedure, lift: Lift | CircuitLift) -> dict[str, TrueStep]:
        """Walk the procedure on a lift and note what each step must come to."""
        steps: dict[str, TrueStep] = {}
        for step in procedure.steps:
            if isinstance(step, LookStep):
                if isolates(step):
                    lift.isolate()
                elif restores(step):
                    lift.restore()
                steps[step.id] = TrueStep(None, must_pass=True)
                continue
            if not isinstance(step, ReadingStep | AgreeStep):
                continue
            try:
                value = self._value(lift, step.point, step, step.measure[0])
            except UsageError:  # it chatters there; nobody knows what is true, and it may never come to that step
                value = None
            if isinstance(step, AgreeStep):
                partner = steps[step.with_].value
                difference = None if value is None or partner is None else value - partner
                steps[step.id] = TrueStep(value, None if difference is None else step.within.accept(_exact(difference)))
            else:
                steps[step.id] = TrueStep(value, None if value is None else step.limits.accept(_exact(value)))
        return steps

    def _value(self, lift: Lift | CircuitLift, point: str, step: MeasuredStep, function: Function) -> float | None:
        """What is really there, in the function's unit."""
        if isinstance(step, DeadStep):
            known, live = point == step.known.point, Mishap(Trouble.LIVE, step.id) in self._mishaps
            if known or live:
                return None if known and self._lead_broken else _middle(step)
            if function is Function.AC_VOLTAGE:
                return 0.0
        reference = self._nodes.get(step.reference, step.reference)
        if isinstance(lift, CircuitLift) and reference not in lift.circuit.number:
            reference = lift.circuit.reference
        moved = step.reference.endswith(OWN_POLE)
        ground = isinstance(lift, CircuitLift) and reference == lift.circuit.reference and not moved
        situation = step.worked if self._worked and isinstance(step, OperateStep | IntervalStep) else step.situation
        places = point, None if ground else reference, situation
        return lift.ohms(*places) if function.open_leads_read_overload else lift.volts(*places)

    def _read_anew(self) -> None:
        """Let what is at the probes be what it is now."""
        self._close_stretch()
        if self._touch is not None and self._meant is not None:
            value = self._value(self._lift, self._touch.point, self._meant, self.function)
            if value != self._touch.value:
                self._touch.value, self._touch.settled_at = value, None

    # The meter's side

    def _signal(self) -> float | None:
        return self._touch.value if self._touch is not None and self._in_contact else None

    def _close_stretch(self) -> None:
        if self.now > self._since:
            self._stretches.append(Stretch(self.now - self._since, self._signal()))
        self._since = self.now

    def _update(self) -> Reading:
        self._close_stretch()
        reading = self._meter.update(self._stretches, self.instant(self.now))
        self._stretches = []
        self._next_update = next(self._updates)
        touch = self._touch
        if touch is not None and self._in_contact and touch.settled_at is None and self._meter.shows(touch.value):
            touch.settled_at = self.now
        self.shown = reading
        return reading


def _check(procedure: Procedure, points: Collection[str]) -> None:
    for step in procedure.steps:
        if not isinstance(step, MeasuredStep):
            continue
        if step.point not in points:
            raise UsageError(f"step {step.id}: the simulated lift has no point {step.point}, only {', '.join(points)}")
        if step.measure[0] not in RANGES:
            raise UsageError(f"step {step.id}: the simulated meter has no {step.measure[0]}, only {', '.join(RANGES)}")


def _middle(step: DeadStep) -> float:
    """What a live source shows that is known only by what it must read."""
    low, high = step.known.limits.low, step.known.limits.high
    ends = [float(end) for end in (low, high) if end is not None]
    return sum(ends) / len(ends)


def _exact(value: float) -> Decimal | None:
    return None if isinf(value) else Decimal(value)
