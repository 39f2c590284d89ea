"""A touch that a step waits for: judged once it has settled, or once its dead reading has been confirmed.

The order of judging a live contact: wrong function, display overloaded, resistance on a live circuit, then whether the
contact is the waiting step's at all, then reversed leads, then the limits. Values that leads in the air would show too
(near 0, or OL in ohms) never judge by themselves: they need the technician's word. Pure.
"""

from collections.abc import Iterator
from dataclasses import dataclass, field
from decimal import Decimal

from meterlink.contact import Contact, Probes
from meterlink.instrument import Instrument
from meterlink.judging.judge import Judge, Judgement
from meterlink.judging.overload import proved_by_overload
from meterlink.limits import Limits
from meterlink.outcome import Cue, Measured, Touch, TouchOutcome, Verdict, VerdictOutcome
from meterlink.phrases import announce, confirm_dead, wrong_function
from meterlink.procedure.model import AgreeStep, AnsweredStep, MeasuredStep, ReadingStep, Step
from meterlink.reading import NS_PER_S, Function, Instant, Reading
from meterlink.settle import MIN_SPAN_NS, Settled, same_value, settle, still_near_zero

OUTLAST_NS = 3 * NS_PER_S // 10
"""A dead reading must last this long after it was confirmed, or for one update where those are slower."""

PATIENCE_NS = 4 * NS_PER_S
"""How long a touch may stay unsteady, or the display idle-like, before the technician is told."""

STALE_NS = 2 * NS_PER_S
"""A dead reading can be confirmed only while it lasts: the newest reading must not be older than this."""

WANDERS = Decimal(3)
"""Volts by which stray voltage may wander while a search takes it for what floats (common practice, no source)."""

_SIGNED = (Function.DC_VOLTAGE, Function.DC_CURRENT)


@dataclass(frozen=True, slots=True)
class Judged:
    """What a touch came to for the waiting step."""

    limits: Limits
    measured: Measured
    judgement: Judgement
    at: Instant
    confirmed: bool = False


@dataclass(slots=True)
class Awaited:
    """What is waited for."""

    step: Step
    limits: Limits | None
    """Worked out; None for a step that the meter does not judge so."""
    judge: Judge | None
    """None likewise."""
    announced: Instant
    latest: Verdict | None
    """What the last touch came to that was judged, or taken in by a search."""
    instrument: Instrument | None
    wanders: bool = False
    """Whether a search asks, to which dead or floating is one."""
    told: set[str] = field(default_factory=set)
    """Codes of the cues given for it; each is given once."""

    def tell(self, code: str, text: str, at: Instant, told: set[str] | None = None) -> Iterator[Cue]:
        """Give a cue once: for this step, or for one contact."""
        told = self.told if told is None else told
        if code not in told:
            told.add(code)
            yield Cue(code, text, self.step.id, at)

    def waited(self, since: Instant, at: Instant) -> bool:
        """Tell whether the technician has waited long enough in this step for a hint."""
        return at.monotonic_ns - max(since, self.announced).monotonic_ns >= PATIENCE_NS


class Touching:
    """Follows the touches while a step waits for one."""

    def __init__(self, probes: Probes) -> None:
        self._probes = probes
        self._confirmed: Instant | None = None
        """When a dead reading was confirmed that has yet to outlast the confirmation."""

    @property
    def confirming(self) -> bool:
        """Whether a confirmed reading has yet to outlast its confirmation."""
        return self._confirmed is not None

    def unconfirm(self) -> None:
        """Forget a confirmation."""
        self._confirmed = None

    def reading(self, awaited: Awaited, reading: Reading) -> Iterator[Cue | Touch | Judged]:
        """Say what a reading brings about, once the probes have taken it."""
        if self._confirmed is not None:
            yield from self._settle_confirmed(awaited, self._confirmed, reading.at)
            return
        contact = self._probes.contact
        if contact is None or contact.dips:
            yield from self._idle(awaited, reading)
        elif contact.window or contact.overloads:
            yield from self._live(awaited, contact, reading)

    def confirm(self, awaited: Awaited, step: MeasuredStep, at: Instant) -> Iterator[Cue]:
        """Take the technician's word for what the display shows."""
        last, shown = self._probes.last, self.confirmable(awaited)
        if awaited.limits is None or last is None or at.monotonic_ns - last.at.monotonic_ns > STALE_NS:
            yield Cue("nothing-to-confirm", "Nothing to confirm: no fresh reading.", step.id, at)
        elif last.function not in step.measure:
            yield Cue("wrong-function", wrong_function(step, last.function), step.id, at)
        elif shown is None:
            text = "Nothing to confirm: only a steady dead reading is confirmed by hand."
            yield Cue("nothing-to-confirm", text, step.id, at)
        elif not self._probes.lifted:
            yield Cue("lift-first", f"Lift the probes, then touch {step.point}.", step.id, at)
        else:
            self._confirmed = at

    def judge_confirmed(self, awaited: Awaited, at: Instant) -> Iterator[Touch | Judged]:
        """Judge what was confirmed, if anything was."""
        shown = self.confirmable(awaited) if self._confirmed is not None else None
        self._confirmed = None
        if shown is None or awaited.judge is None or awaited.limits is None:
            return
        measured = shown.measured
        if measured.value is None:
            last = shown.window[-1]
            known = awaited.instrument.own_ranges(last.function) if awaited.instrument else ()
            judgement = awaited.judge.judge_overload(measured.unit, proved_by_overload(last, known))
        else:
            judgement = awaited.judge.judge(shown.window)
        start = self._probes.in_air[0].at
        yield Touch(awaited.step.id, touch_outcome(judgement.outcome), measured, start, at)
        self._probes.judged_in_air(at)
        yield Judged(awaited.judge.limits, measured, judgement, at, confirmed=True)

    def _settle_confirmed(self, awaited: Awaited, confirmed: Instant, at: Instant) -> Iterator[Cue | Touch | Judged]:
        """Judge a confirmed dead reading once it has outlasted the confirmation: the display may lag behind a touch."""
        if self.confirmable(awaited) is None:
            self._confirmed = None
            text = "Not counted: the display changed as you confirmed."
            yield Cue("nothing-to-confirm", text, awaited.step.id, at)
        elif at.monotonic_ns - confirmed.monotonic_ns >= OUTLAST_NS:
            yield from self.judge_confirmed(awaited, at)

    def _idle(self, awaited: Awaited, reading: Reading) -> Iterator[Cue]:
        """Give a hint where the leads seem to hang in the air for long: dead point, or the wrong function?"""
        step, since = awaited.step, self._probes.air_since
        if not isinstance(step, MeasuredStep) or since is None or not awaited.waited(since, reading.at):
            return
        if reading.function not in step.measure:
            yield from awaited.tell("wrong-function", wrong_function(step, reading.function), reading.at)
            return
        shown = self.confirmable(awaited)
        if shown is not None:
            yield from awaited.tell("confirm-dead", confirm_dead(step, shown.measured), reading.at)

    def _live(self, awaited: Awaited, contact: Contact, reading: Reading) -> Iterator[Cue | Judged]:
        step, at = awaited.step, reading.at
        if isinstance(step, MeasuredStep) and reading.function not in step.measure:
            yield from self._wrong_function(awaited, contact, step, at)
            return
        if contact.overloads >= 3:
            yield from awaited.tell("overload", "OL: choose a higher range.", at, contact.told)
            return
        judge = awaited.judge if contact.eligible else None
        settled = settle(contact.window, judge.zones if judge else None)
        if settled is None:
            if contact.outcome is None and awaited.waited(contact.start, at):
                yield from awaited.tell("unsteady", "Unsteady. Hold the probes still.", at, contact.told)
            return
        measured, outcome = settled[0].measured, settled[1]
        if contact.outcome is None:
            contact.measured = measured
        if live_circuit(reading.function, measured):
            contact.outcome = contact.outcome or TouchOutcome.NOT_EXPECTED
            text = "Resistance below 0: voltage on the circuit. Lift the probes and isolate it first."
            yield from awaited.tell("live-circuit", text, at, contact.told)
        elif not contact.eligible or not isinstance(step, ReadingStep | AgreeStep):
            yield from self._not_awaited(awaited, contact, reading, measured)
        elif _reversed(reading.function, measured, awaited.limits):
            contact.outcome = TouchOutcome.REVERSED
            text = f"{measured}: the leads are reversed, or the wiring is. Red on {step.point}."
            yield from awaited.tell("reversed", text, at, contact.told)
        elif outcome is not None and judge is not None:
            judgement = judge.judge(settled[0].window)
            contact.step, contact.measured = step.id, measured
            contact.outcome = touch_outcome(judgement.outcome)
            yield Judged(judge.limits, measured, judgement, at)

    def _wrong_function(self, awaited: Awaited, contact: Contact, step: MeasuredStep, at: Instant) -> Iterator[Cue]:
        if len(contact.window) < 3 or at.monotonic_ns - contact.start.monotonic_ns < MIN_SPAN_NS:
            return
        if contact.outcome is None:
            settled = settle(contact.window, None)
            contact.measured = settled[0].measured if settled else None
            contact.outcome = TouchOutcome.WRONG_FUNCTION
        yield from awaited.tell("wrong-function", wrong_function(step, contact.function), at, contact.told)

    def _not_awaited(self, awaited: Awaited, contact: Contact, reading: Reading, measured: Measured) -> Iterator[Cue]:
        """Deal with a contact that no step may have: the one just judged, touched again or still held, or another."""
        last = awaited.latest
        again = (
            last is not None
            and last.measured is not None
            and last.measured.value is not None
            and last.measured.unit == reading.unit
            and same_value(last.measured.value, reading)
        )
        if contact.outcome is None:
            contact.step = last.step if again and last else None
            contact.outcome = TouchOutcome.RETOUCH if again else TouchOutcome.NOT_EXPECTED
        if isinstance(awaited.step, AnsweredStep):
            if not again:
                text = f"Not expected now. First answer: {announce(awaited.step, None)}"
                yield from awaited.tell("not-expected", text, reading.at, contact.told)
        elif not again or awaited.waited(contact.start, reading.at):
            text = f"Lift the probes, then touch {awaited.step.point}."
            yield from awaited.tell("lift-first", text, reading.at, contact.told)

    def confirmable(self, awaited: Awaited) -> Settled | None:
        """Return the idle-like value that the technician could confirm as real now."""
        if not isinstance(awaited.step, ReadingStep | AgreeStep):
            return None
        spread = _may_wander(awaited.limits) if awaited.limits else Decimal(0)
        if awaited.wanders:
            spread = WANDERS  # what floats never stands still, and dead or floating is all that a search asks here
        return still_near_zero(self._probes.in_air, spread)


def touch_outcome(outcome: VerdictOutcome) -> TouchOutcome:
    """How a touch ended that was judged so."""
    return TouchOutcome.OUT_OF_LIMITS if outcome is VerdictOutcome.FAIL else TouchOutcome.MATCHED


def live_circuit(function: Function, measured: Measured) -> bool:
    """Tell whether a resistance reads clearly below 0, which only a voltage on the circuit can do."""
    return function.unit == "Ohm" and measured.value is not None and measured.value < -1


def _reversed(function: Function, measured: Measured, limits: Limits | None) -> bool:
    if function not in _SIGNED or limits is None or measured.value is None:
        return False
    if limits.one_sign:
        return measured.value * limits.one_sign < 0
    return limits.low is None and limits.high is not None and measured.value < -limits.high


def _may_wander(limits: Limits) -> Decimal:
    """How far a reading near 0 may wander and still be confirmed.

    Where 0 is wanted, and a little to both sides of it will do, a point that nothing drives may wander there: an open
    coil's terminal is as dead as a sound one's.
    """
    if limits.low is not None and limits.high is not None and limits.low < 0 < limits.high:
        return min(-limits.low, limits.high) / 2
    return limits.nearest_zero / 50
