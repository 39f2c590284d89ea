"""The simulated technician: hears the check's cues, goes to the point, holds the probes as people do, and answers.

Times and habits are common practice, no source. The technician is a process in virtual time: a generator that yields
how long it waits and acts on its bench in between.
"""

import random
from collections.abc import Generator, Mapping
from decimal import Decimal
from itertools import takewhile
from math import inf

from meterlink.outcome import Answer
from meterlink.procedure.lint import SEARCH_PREFIX
from meterlink.procedure.model import (
    AskStep,
    BridgeStep,
    DeadStep,
    IntervalStep,
    LookStep,
    MeasuredStep,
    OperateStep,
    ReadingStep,
    Step,
    WatchStep,
)
from meterlink.reading import Flag, Function, Reading, State
from meterlink_sim.bench import Bench, Doing, Pause, Slips

_PLACES = {
    "G": "battery",
    "F": "control box",
    "Q": "control box",
    "K": "control box",
    "B1": "drive",
    "B2": "drive",
    "X2": "drive",
    "S": "cab",
    "X5": "cab",
    "B3": "lower landing",
    "B4": "upper landing",
    "X7": "under the platform",
}


_ANEW = ("wrong-function", "unsteady", "lift-first", "hold", "left-open", "started-over", "not-live")
"""Cues that say to look at the meter and try anew."""

_GO_ON = ("operate-ready", "watch-ready", "watching", "interval-ready", "proved-live", "proved-dead")
"""Cues that a step of several parts waits for."""

_HEEDED = ("confirm-dead", *_ANEW, *_GO_ON)
"""Cues upon which the hands do something, besides those that name a step or give a verdict."""

_ASKED = ("probe", "look", "ask")
_GIVEN = ("pass", "fail", "unclear", "read", "answered", "jumper-fitted", "jumper-removed")
"""Cues that say that a step is done with."""

_PATIENCE_S = 15.0
"""How long a cue is waited for that does not come."""


def isolates(step: Step) -> bool:
    """Whether the supply is off once a step is answered with yes."""
    return isinstance(step, LookStep) and "isolat" in f"{step.id} {step.ask} {step.say}".lower()


def restores(step: Step) -> bool:
    """Whether the supply is on again once a step is answered with yes."""
    return isinstance(step, LookStep) and "supply-back" in step.id


class Technician:
    """One technician, at work from the first cue on."""

    def __init__(
        self, steps: Mapping[str, Step], bench: Bench, slips: Slips, rng: random.Random, *, repairs: bool = False
    ) -> None:
        """Be ready to work.

        Args:
            steps: of the procedure that was learnt, by id; what a search asks for is told by the search.
            bench: what the hands act on.
            slips: how often each slip happens.
            rng: every chance comes from it.
            repairs: whether a fault that is found is mended; else the search is given up then.
        """
        self._steps = steps
        self._bench = bench
        self._repairs = repairs
        self._finding: Mapping[str, object] = {}
        self._mended: set[str] = set()
        self._isolated = False
        self._slips = slips
        self._rng = rng
        self._place = "control box"
        self._step: Step | None = None
        self._asked: Step | None = None
        self._judged = False
        self._heard: set[str] = set()
        self._doing = self._work()
        self._pause = Pause(inf, listening=True)
        self.wake = inf
        """When the technician does something next, in seconds; `inf`: not before a cue."""

    def act(self) -> None:
        """Do what is due at `wake`."""
        self._pause = next(self._doing)
        self.wake = self._bench.now + self._pause.seconds

    def hear(self, announcement: Mapping[str, object]) -> None:
        """Take in an announcement; what is not a cue is not heard."""
        if announcement.get("event") == "finding":
            self._finding = announcement
        code, step = announcement.get("code"), self._step_named(announcement)
        if announcement.get("event") != "cue" or not isinstance(code, str):
            return
        if code in _ASKED:
            if step is not None and (self._step is None or step.id != self._step.id or self._judged):
                self._asked = step
        elif code in _GIVEN:
            self._judged = self._judged or (step is not None and self._step is not None and step.id == self._step.id)
        elif code in _HEEDED:
            self._heard.add(code)
        if self._pause.listening:
            self.wake = self._bench.now

    def _step_named(self, announcement: Mapping[str, object]) -> Step | None:
        """The step that an announcement names; one that a search made up is put together from what it said."""
        name = str(announcement.get("step"))
        if name in self._steps or not name.startswith(SEARCH_PREFIX):
            return self._steps.get(name)
        if announcement.get("code") == "look":
            look = {"id": name, "kind": "look", "point": "circuit", "ask": str(announcement.get("text"))}
            return LookStep.model_validate(look)
        wanted = self._finding.get("next")
        if self._step is not None and self._step.id == name:
            return self._step
        if not isinstance(wanted, Mapping):
            return None
        return ReadingStep.model_validate(
            {
                "id": name,
                "kind": "reading",
                "point": str(wanted["point"]),
                "reference": str(wanted["black_lead"]),
                "measure": "resistance" if wanted["measure"] == "resistance" else "dc-voltage",
                "limits": "0..1 V" if wanted["measure"] != "resistance" else "0..1 Ohm",
                "situation": self._finding["situation"],
            }
        )

    def _work(self) -> Doing:
        first = yield from self._listen()
        if self._behind_isolation(first):
            self._bench.isolate()  # a job taken up again: the supply has been off since before it broke off
        while True:
            step = yield from self._listen()
            self._step, self._asked, self._judged = step, None, False
            yield self._pause_between(0.2, 0.6)
            self._heard.clear()
            match step:
                case LookStep() | BridgeStep() | AskStep():
                    yield from self._look(step)
                case OperateStep() | WatchStep() | IntervalStep() | DeadStep():
                    yield from self._in_parts(step)
                case _:
                    yield from self._measure(step)

    def _listen(self) -> Generator[Pause, None, Step]:
        while self._asked is None:
            yield Pause(inf, listening=True)
        return self._asked

    def _behind_isolation(self, step: Step) -> bool:
        off = False
        for before in takewhile(lambda each: each is not step, self._steps.values()):
            off = (off or isolates(before)) and not restores(before)
        return off

    @property
    def _done(self) -> bool:
        return self._judged or self._asked is not None

    def _look(self, step: LookStep | BridgeStep | AskStep) -> Doing:
        if step.id.startswith(SEARCH_PREFIX):
            yield from self._look_in_search()
            return
        if isolates(step):
            yield self._pause_between(3, 8)
            self._bench.isolate()
        elif restores(step):
            yield self._pause_between(3, 8)
            self._bench.restore()
        answer = Answer.REFUSE if self._bench.amiss(step) else Answer.CONFIRM
        while not self._done:
            yield self._pause_between(1, 3)
            self._bench.press(answer)
            yield Pause(self._rng.uniform(4, 6), listening=True)

    def _look_in_search(self) -> Doing:
        """Mend what was found, or isolate for ohms; without the will to mend, give the search up.

        Where the search cannot name the fault, or names what was mended before, it is found otherwise: by eye, or by
        trying parts.
        """
        yield self._pause_between(3, 8)
        answer, going_on = self._finding.get("answer"), self._finding.get("next") is not None
        if not going_on and not self._repairs:
            self._bench.press(Answer.REFUSE)
        else:
            if not going_on:
                named = isinstance(answer, str) and answer not in self._mended
                self._bench.repair(str(answer) if named else None)
                self._mended.add(str(answer))
            if self._isolated or not going_on:
                self._bench.restore()
            else:
                self._bench.isolate()
            self._isolated = going_on and not self._isolated
            self._bench.press(Answer.CONFIRM)
        while not self._done:
            yield Pause(self._rng.uniform(4, 6), listening=True)
            if not self._done:
                self._bench.press(Answer.CONFIRM if going_on or self._repairs else Answer.REFUSE)

    def _measure(self, step: MeasuredStep) -> Doing:
        yield from self._go_to(step.point, step)
        if self._chance(self._slips.brush):
            yield from self._brush(step)
        while not self._done:
            yield from self._try(step)
            if not self._done:
                yield from self._put_right(step)

    def _go_to(self, point: str, step: MeasuredStep) -> Doing:
        if not self._chance(self._slips.forget_dial):
            yield from self._set_dial(step)
        place = _place(point)
        yield self._pause_between(1.0, 2.0) if place == self._place else self._pause_between(2.0, 4.0)
        self._place = place
        if self._chance(self._slips.hold):
            self._bench.press_hold()

    def _in_parts(self, step: OperateStep | WatchStep | IntervalStep | DeadStep) -> Doing:
        """Do a step that takes more than one touch or one value; anew until it is judged."""
        yield from self._go_to(step.point, step)
        while not self._done:
            match step:
                case OperateStep():
                    yield from self._operate(step)
                case WatchStep():
                    yield from self._watch(step)
                case IntervalStep():
                    yield from self._time(step)
                case DeadStep():
                    yield from self._prove_dead(step)
            yield self._pause_between(0.2, 0.6)
            self._bench.lift()
            if not self._done:
                yield from self._put_right(step)

    def _operate(self, step: OperateStep) -> Doing:
        """Work a contact as often as asked; say that this was all where the check still waits then."""
        yield from self._touch(step.point, step)
        ready = yield from self._wait_for("operate-ready")
        for _ in range(step.times if ready else 0):
            for worked in (True, False):
                yield from self._work_once(step, worked=worked)
                yield from self._hold_still()
        yield from self._say_that_was_all(Answer.CONFIRM)

    def _watch(self, step: WatchStep) -> Doing:
        """Hold the probes on while the lift travels; it passes its worst place half-way."""
        yield from self._touch(step.point, step)
        if step.begins == "confirm" and (yield from self._wait_for("watch-ready")):
            yield self._pause_between(0.5, 1.5)
            self._bench.press(Answer.CONFIRM)
        if (yield from self._wait_for("watching")):
            travel = float(step.least.value) + self._rng.uniform(1, 3)
            yield Pause(travel / 2)
            self._bench.jolt(opens=True)
            yield self._pause_between(1.2, 1.6)
            self._bench.jolt(opens=False)
            yield Pause(travel / 2)
            yield from self._say_that_was_all(Answer.CONFIRM)

    def _time(self, step: IntervalStep) -> Doing:
        """Let it happen, and wait until it has ended."""
        yield from self._touch(step.point, step)
        if (yield from self._wait_for("interval-ready")):
            yield self._pause_between(0.5, 1.5)
            yield from self._work_once(step, worked=True)
            yield Pause(self._bench.lasts(step))
            yield from self._work_once(step, worked=False)
            yield from self._hold_still()
        yield from self._say_that_was_all(Answer.REFUSE)

    def _say_that_was_all(self, answer: Answer) -> Doing:
        """Say so where the check still waits; what it says to that is waited for, and not answered at once."""
        for _ in range(2):
            if not self._done and not self._heard & set(_ANEW):
                yield self._pause_between(1, 2)
                if not self._done:
                    self._bench.press(answer)
        yield self._pause_between(1, 2)

    def _prove_dead(self, step: DeadStep) -> Doing:
        """Live, dead, live: the known source, the point, the known source again."""
        yield from self._prove(step.known.point, step, "proved-live")
        if "proved-live" in self._heard:
            yield from self._prove(step.point, step, "proved-dead")
        if "proved-dead" in self._heard:
            self._bench.bend_leads(step)
            yield from self._prove(step.known.point, step, None)

    def _prove(self, point: str, step: DeadStep, proof: str | None) -> Doing:
        """Touch one of the two places until its proof is heard; a second proof that fails is refused."""
        yield self._pause_between(1.0, 2.0)
        yield from self._touch(point, step)
        confirm_at, give_up_at = (self._bench.now + self._rng.uniform(*span) for span in ((1.5, 3.0), (10, 15)))
        while not self._done and proof not in self._heard and not self._heard & set(_ANEW):
            yield Pause(min(confirm_at, give_up_at) - self._bench.now, listening=True)
            if self._bench.now >= give_up_at:
                if proof is None:
                    self._bench.press(Answer.REFUSE)
                    yield Pause(self._rng.uniform(1, 2), listening=True)
                break
            if self._bench.now >= confirm_at:
                confirm_at = self._bench.now + self._rng.uniform(1.5, 3.0)
                if proof == "proved-dead" and self._shows_nothing():
                    self._bench.press(Answer.CONFIRM)
        yield self._pause_between(0.2, 0.6)
        self._bench.lift()

    def _work_once(self, step: OperateStep | IntervalStep, *, worked: bool) -> Doing:
        """Work a contact once; it bounces for some milliseconds."""
        self._bench.work(step, worked=worked)
        for _ in range(self._rng.randint(0, 3)):
            yield self._pause_between(0.001, 0.008)
            self._bench.work(step, worked=not worked)
            yield self._pause_between(0.001, 0.008)
            self._bench.work(step, worked=worked)

    def _hold_still(self) -> Doing:
        """Let the display come to rest: through its ranges, and two updates more."""
        yield Pause(0.3 + self._rng.uniform(7, 9) * self._bench.update_s)

    def _wait_for(self, code: str) -> Generator[Pause, None, bool]:
        """Wait for a cue; whether it came, before a verdict and before anything that says to try anew."""
        until = self._bench.now + _PATIENCE_S
        while not self._done and code not in self._heard and not self._heard & set(_ANEW):
            if self._bench.now >= until:
                return False
            yield Pause(until - self._bench.now, listening=True)
        return code in self._heard and not self._done

    def _set_dial(self, step: MeasuredStep) -> Doing:
        if self._bench.function not in step.measure:
            yield self._pause_between(0.8, 2.0)
            self._bench.turn_dial(step.measure[0])

    def _brush(self, step: MeasuredStep) -> Doing:
        near = self._bench.neighbours(step.point)
        if near:
            self._bench.begin_touch(self._rng.choice(near), step)
            yield self._pause_between(0.1, 0.35)
            self._bench.lift()
            yield self._pause_between(0.1, 0.4)

    def _try(self, step: MeasuredStep) -> Doing:
        """Hold the probes on the point until the verdict comes, or until something says to try anew."""
        yield from self._touch(step.point, step)
        touched = self._bench.now
        slip_at = touched + self._rng.uniform(0.3, 2.0) if self._chance(self._slips.lose) else inf
        confirm_at = touched + self._rng.uniform(1.5, 3.0)
        give_up_at = touched + self._rng.uniform(10, 15)
        seen: Reading | None = None
        while not self._done:
            yield Pause(min(slip_at, confirm_at, give_up_at) - self._bench.now, listening=True)
            if "confirm-dead" in self._heard:
                self._heard.remove("confirm-dead")
                confirm_at = min(confirm_at, self._bench.now + self._rng.uniform(0.4, 1.0))
            if self._heard or self._bench.now >= give_up_at:
                break
            if self._bench.now >= slip_at:
                slip_at = inf
                yield from self._slip(step)
                confirm_at = self._bench.now + self._rng.uniform(1.5, 3.0)
            if self._bench.now >= confirm_at:
                confirm_at = self._bench.now + self._rng.uniform(1.5, 3.0)
                if self._shows_nothing() or self._stands_low(seen):
                    self._bench.press(Answer.CONFIRM)
                seen = self._bench.shown
        if self._judged and self._chance(self._slips.lose_after):
            yield from self._slip(step)
        yield self._pause_between(0.2, 0.6)
        self._bench.lift()

    def _touch(self, point: str, step: MeasuredStep) -> Doing:
        """Make contact; it bounces for some milliseconds."""
        self._bench.begin_touch(point, step)
        for _ in range(self._rng.randint(0, 3)):
            yield self._pause_between(0.001, 0.016)
            self._bench.bounce()
            yield self._pause_between(0.001, 0.016)
            self._bench.bounce()

    def _slip(self, step: MeasuredStep) -> Doing:
        self._bench.lift()
        yield self._pause_between(0.1, 0.6)
        yield from self._touch(step.point, step)

    def _shows_nothing(self) -> bool:
        """Whether the display shows what leads in the air would: near 0 V, or OL in ohms."""
        shown = self._bench.shown
        if shown is None or shown.value is None:
            return shown is not None and shown.state is State.OVERLOAD and shown.function.open_leads_read_overload
        return not shown.function.open_leads_read_overload and abs(shown.value) < 1

    def _stands_low(self, before: Reading | None) -> bool:
        """Whether the display has stood at a few volts since it was looked at before: fed back by something."""
        shown = self._bench.shown
        if shown is None or before is None or shown.value is None or before.value is None:
            return False
        stands = abs(shown.value - before.value) < Decimal("0.1")
        return shown.function is Function.DC_VOLTAGE and stands and abs(shown.value) < 5

    def _put_right(self, step: MeasuredStep) -> Doing:
        """Look at the meter before the next try: the dial, the HOLD key."""
        yield from self._set_dial(step)
        shown = self._bench.shown
        if shown is not None and Flag.HOLD in shown.flags:
            self._bench.press_hold()
        self._heard.clear()
        yield self._pause_between(0.8, 1.6)

    def _pause_between(self, shortest: float, longest: float) -> Pause:
        return Pause(self._rng.uniform(shortest, longest))

    def _chance(self, chance: float) -> bool:
        return self._rng.random() < chance


def _place(point: str) -> str:
    tag = point.partition(":")[0]
    return _PLACES.get(tag) or _PLACES.get(tag[:1], "control box")
