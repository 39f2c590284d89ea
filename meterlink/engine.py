"""The procedure engine: readings and answers in, touches, verdicts and cues out.

Pure: it reads no clock and does no I/O; time comes with each input. The same procedure and the same inputs give the
same outcomes, always, so replaying a record, resuming a job and running live are one thing.

The order of judging a live contact: wrong function, display overloaded, resistance on a live circuit, then whether the
contact is the waiting step's at all, then reversed leads, then the limits. Values that leads in the air would show too
(near 0, or OL in ohms) never judge by themselves: they need the technician's word.
"""

from collections.abc import Iterator
from decimal import Decimal

from meterlink.circuit.tied import Tied
from meterlink.contact import Contact, Idle, Probes
from meterlink.findings import dead, last_live, lost_between
from meterlink.hunt import Hunt, Turn
from meterlink.instrument import Instrument
from meterlink.judging.budget import Budget
from meterlink.judging.judge import Judge, Judgement
from meterlink.judging.overload import proved_by_overload
from meterlink.limits import Limits
from meterlink.outcome import (
    Answer,
    Break,
    Cue,
    End,
    EngineInput,
    Gap,
    Input,
    Measured,
    Outcome,
    Touch,
    TouchOutcome,
    Verdict,
    VerdictOutcome,
)
from meterlink.phrases import (
    LINK_CUES,
    REFUSED_CODES,
    announce,
    confirm_dead,
    meter_stated,
    verdict,
    why_refused,
    wrong_function,
)
from meterlink.procedure.model import AgreeStep, LookStep, MeasuredStep, Procedure, ReadingStep, Step, partner_of
from meterlink.procedure.relative import relative_limits
from meterlink.reading import NS_PER_S, Function, Instant, Reading
from meterlink.settle import MIN_SPAN_NS, Settled, same_value, settle, still_near_zero

DEBOUNCE_NS = 3 * NS_PER_S // 10
"""An answer sooner than this after a step was announced was meant for the step before (common practice, no source)."""

OUTLAST_NS = 3 * NS_PER_S // 10
"""A dead reading must last this long after it was confirmed, or for one update where those are slower."""

PATIENCE_NS = 4 * NS_PER_S
"""How long a touch may stay unsteady, or the display idle-like, before the technician is told."""

STALE_NS = 2 * NS_PER_S
"""A dead reading can be confirmed only while it lasts: the newest reading must not be older than this."""

WANDERS = Decimal(3)
"""Volts by which stray voltage may wander while a search takes it for what floats (common practice, no source)."""

_SIGNED = (Function.DC_VOLTAGE, Function.DC_CURRENT)


class Engine:
    """One run of one procedure. Feed it inputs in order of time; once ended, only a stopped job can be reopened."""

    def __init__(self, procedure: Procedure, tied: Tied | None = None) -> None:
        """Be ready to start.

        Args:
            procedure: with every limit in its place.
            tied: the same with its circuit, for searches; None for one without.
        """
        self.procedure = procedure
        self._tied = tied
        self.hunt: Hunt | None = None
        """The search for a fault that is under way; None while the procedure's own steps are."""
        self._hunted = 0
        self._mended: frozenset[str] = frozenset()
        self.verdicts: dict[str, Verdict] = {}
        """The last verdict of each step judged so far."""
        self.ended = False
        self._instrument: Instrument | None = None
        self._budgets: dict[str, Budget] = {}
        """The uncertainty of the last touch judged for each step, for limits that refer to it."""
        self._index = 0
        self._probes = Probes()
        self._announced = Instant(0, 0)
        self._last_judged: str | None = None
        self._latest: Verdict | None = None
        """What the last touch came to that was judged, or taken in by a search."""
        self._told: set[str] = set()
        self._confirmed: Instant | None = None
        """When a dead reading was confirmed that has yet to outlast the confirmation."""

    @property
    def step(self) -> Step:
        """The step that is waited for (or was last, once ended); a search's own while one is under way."""
        return self.hunt.step if self.hunt else self.procedure.steps[self._index]

    def start(self, at: Instant) -> list[Outcome]:
        """Announce the first step, or begin the search that comes first."""
        return list(self._begin(at))

    def feed(self, item: EngineInput) -> list[Outcome]:
        """Take one input and return what it brings about, in order.

        Raises:
            ValueError: the input's time lies before an earlier one's.
        """
        last = self._probes.last
        if last is not None and item.at.monotonic_ns < last.at.monotonic_ns:
            raise ValueError(f"an input at {item.at.seconds} s came after a reading at {last.at.seconds} s")
        if isinstance(item, Instrument):
            self._instrument = item
            return [Cue("meter", meter_stated(item), None, item.at)]
        if isinstance(item, Input):
            return list(self._answer(item))
        if self.ended:
            return []
        if isinstance(item, Gap):
            return list(self._gap(item))
        return list(self._reading(item))

    def announcement(self, at: Instant, before: Step | None = None) -> Cue:
        """Ask for the waiting step; in full unless it follows another."""
        code = "look" if isinstance(self.step, LookStep) else "probe"
        return Cue(code, announce(self.step, before), self.step.id, at)

    def limits(self) -> Limits | None:
        """Return the limits of the waiting step, worked out; None for a step that the meter does not judge."""
        step = self.step
        if not isinstance(step, ReadingStep | AgreeStep):
            return None
        partner = partner_of(step, self.procedure.steps)
        if partner is None:
            return step.limits if isinstance(step, ReadingStep) else None
        return relative_limits(step, _value_of(self.verdicts.get(partner.id)))

    def may_be_off(self, reading: Reading) -> Decimal | None:
        """By how much a reading may be off for the waiting step, in its unit; None where that is not known."""
        judge = self._judge()
        if judge is None or reading.value is None or reading.unit != judge.limits.unit:
            return None
        return judge.expanded([reading])

    def tally(self, at: Instant) -> End:
        """Count the verdicts given so far."""
        outcomes = [given.outcome for given in self.verdicts.values()]
        missing = tuple(step.id for step in self.procedure.steps if step.id not in self.verdicts)
        return End(
            complete=not missing,
            passed=outcomes.count(VerdictOutcome.PASS),
            failed=outcomes.count(VerdictOutcome.FAIL),
            unclear=outcomes.count(VerdictOutcome.UNCLEAR),
            not_judged=missing,
            lost_between=lost_between(self.procedure, self.verdicts),
            at=at,
        )

    # Readings

    def _reading(self, reading: Reading) -> Iterator[Outcome]:
        refused = why_refused(reading)
        if refused is not None:
            self._probes.pass_over(reading)
            yield from self._tell_once(self._told, *refused, reading.at)
            return
        self._told -= REFUSED_CODES
        yield from self._touches(self._probes.take(reading))
        if self._confirmed is not None:
            yield from self._settle_confirmed(reading.at)
            return
        contact = self._probes.contact
        if contact is None or contact.dips:
            yield from self._idle(reading)
        elif contact.window or contact.overloads:
            yield from self._live(contact, reading)

    def _gap(self, gap: Gap) -> Iterator[Outcome]:
        if self._confirmed is not None and gap.reason is Break.ENDED:
            yield from self._judge_confirmed(gap.at)
        self._confirmed = None
        yield from self._touches(self._probes.drop())
        if gap.reason in LINK_CUES:
            yield Cue(*LINK_CUES[gap.reason], self.step.id, gap.at)
        if gap.reason in (Break.LINK_BACK, Break.HEARD_AGAIN, Break.RESUMED):
            yield self.announcement(gap.at)

    def _idle(self, reading: Reading) -> Iterator[Outcome]:
        """Give a hint where the leads seem to hang in the air for long: dead point, or the wrong function?"""
        step, since = self.step, self._probes.air_since
        if not isinstance(step, MeasuredStep) or since is None or not self._waited(since, reading.at):
            return
        if reading.function not in step.measure:
            yield from self._tell_once(self._told, "wrong-function", wrong_function(step, reading.function), reading.at)
            return
        shown = self._confirmable()
        if shown is not None:
            yield from self._tell_once(self._told, "confirm-dead", confirm_dead(step, shown.measured), reading.at)

    def _live(self, contact: Contact, reading: Reading) -> Iterator[Outcome]:
        step, at = self.step, reading.at
        if isinstance(step, MeasuredStep) and reading.function not in step.measure:
            yield from self._wrong_function(contact, step, at)
            return
        if contact.overloads >= 3:
            yield from self._tell_once(contact.told, "overload", "OL: choose a higher range.", at)
            return
        judge = self._judge() if contact.eligible else None
        settled = settle(contact.window, judge.zones if judge else None)
        if settled is None:
            if contact.outcome is None and self._waited(contact.start, at):
                yield from self._tell_once(contact.told, "unsteady", "Unsteady. Hold the probes still.", at)
            return
        measured, outcome = settled[0].measured, settled[1]
        if contact.outcome is None:
            contact.measured = measured
        if _live_circuit(reading.function, measured):
            contact.outcome = contact.outcome or TouchOutcome.NOT_EXPECTED
            text = "Resistance below 0: voltage on the circuit. Lift the probes and isolate it first."
            yield from self._tell_once(contact.told, "live-circuit", text, at)
        elif not contact.eligible or not isinstance(step, MeasuredStep):
            yield from self._not_awaited(contact, reading, measured)
        elif self._reversed(reading.function, measured):
            contact.outcome = TouchOutcome.REVERSED
            text = f"{measured}: the leads are reversed, or the wiring is. Red on {step.point}."
            yield from self._tell_once(contact.told, "reversed", text, at)
        elif outcome is not None and judge is not None:
            judgement = judge.judge(settled[0].window)
            contact.step, contact.measured = step.id, measured
            contact.outcome = _touch_outcome(judgement.outcome)
            yield from self._conclude(self._verdict(step, judge.limits, measured, judgement, at))

    def _wrong_function(self, contact: Contact, step: MeasuredStep, at: Instant) -> Iterator[Outcome]:
        if len(contact.window) < 3 or at.monotonic_ns - contact.start.monotonic_ns < MIN_SPAN_NS:
            return
        if contact.outcome is None:
            settled = settle(contact.window, None)
            contact.measured = settled[0].measured if settled else None
            contact.outcome = TouchOutcome.WRONG_FUNCTION
        text = wrong_function(step, contact.function)
        yield from self._tell_once(contact.told, "wrong-function", text, at)

    def _not_awaited(self, contact: Contact, reading: Reading, measured: Measured) -> Iterator[Outcome]:
        """Deal with a contact that no step may have: the one just judged, touched again or still held, or another."""
        last = self._latest
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
        if isinstance(self.step, LookStep):
            if not again:
                text = f"Not expected now. First answer: {announce(self.step, None)}"
                yield from self._tell_once(contact.told, "not-expected", text, reading.at)
        elif not again or self._waited(contact.start, reading.at):
            text = f"Lift the probes, then touch {self.step.point}."
            yield from self._tell_once(contact.told, "lift-first", text, reading.at)

    def _reversed(self, function: Function, measured: Measured) -> bool:
        limits = self.limits()
        if function not in _SIGNED or limits is None or measured.value is None:
            return False
        if limits.one_sign:
            return measured.value * limits.one_sign < 0
        return limits.low is None and limits.high is not None and measured.value < -limits.high

    def _judge(self) -> Judge | None:
        """What the waiting step is judged by; None for one that the meter does not judge."""
        step, limits = self.step, self.limits()
        if limits is None or not isinstance(step, MeasuredStep):
            return None
        partner = partner_of(step, self.procedure.steps)
        return Judge(
            limits=limits,
            decision=self.procedure.decision(step),
            instrument=self._instrument,
            partner=self._budgets.get(partner.id) if partner else None,
            share=step.limits.largest_share if isinstance(step, ReadingStep) else Decimal(0),
            source_ohms=step.source_resistance.value if step.source_resistance else None,
        )

    # Answers

    def _answer(self, item: Input) -> Iterator[Outcome]:
        if self.ended:
            if item.answer is Answer.REPEAT and len(self.verdicts) < len(self.procedure.steps):
                self.ended = False
                yield from self._begin(item.at) if not self.verdicts else self._go_to(self._index, item.at)
            return
        if self._confirmed is not None and item.answer is Answer.CONFIRM:
            return
        self._confirmed = None
        if item.answer is Answer.BACK:
            yield from self._go_to(self._index if self.hunt else max(self._index - 1, 0), item.at)
        elif item.answer is Answer.REPEAT and self.hunt:
            self._probes.require_lift()
            yield self.announcement(item.at)
        elif item.answer is Answer.REPEAT:
            ids = [step.id for step in self.procedure.steps]
            yield from self._go_to(ids.index(self._last_judged) if self._last_judged else self._index, item.at)
        elif (self._index or self.hunt) and item.at.monotonic_ns - self._announced.monotonic_ns < DEBOUNCE_NS:
            return
        elif isinstance(self.step, LookStep) and self.hunt:
            yield from self._hunt_answered(self.hunt, item)
        elif isinstance(self.step, LookStep):
            yes = item.answer is Answer.CONFIRM
            outcome = VerdictOutcome.PASS if yes else VerdictOutcome.FAIL
            reason = "Seen and confirmed." if yes else "Seen and refused."
            yield from self._conclude(Verdict(self.step.id, outcome, None, None, True, reason, item.at))
        elif item.answer is Answer.CONFIRM and isinstance(self.step, MeasuredStep):
            yield from self._confirm(self.step, item.at)
        else:
            self._probes.require_lift()
            yield Cue("refused", f"Not counted. Lift the probes, then touch {self.step.point}.", self.step.id, item.at)

    def _confirm(self, step: MeasuredStep, at: Instant) -> Iterator[Outcome]:
        last, limits = self._probes.last, self.limits()
        shown = self._confirmable()
        if limits is None or last is None or at.monotonic_ns - last.at.monotonic_ns > STALE_NS:
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

    def _settle_confirmed(self, at: Instant) -> Iterator[Outcome]:
        """Judge a confirmed dead reading once it has outlasted the confirmation: the display may lag behind a touch."""
        assert self._confirmed is not None  # noqa: S101 - only called then
        if self._confirmable() is None:
            self._confirmed = None
            yield Cue("nothing-to-confirm", "Not counted: the display changed as you confirmed.", self.step.id, at)
        elif at.monotonic_ns - self._confirmed.monotonic_ns >= OUTLAST_NS:
            yield from self._judge_confirmed(at)

    def _judge_confirmed(self, at: Instant) -> Iterator[Outcome]:
        step, judge, shown = self.step, self._judge(), self._confirmable()
        self._confirmed = None
        if shown is None or judge is None or not isinstance(step, MeasuredStep):
            return
        measured = shown.measured
        if measured.value is None:
            last = shown.window[-1]
            known = self._instrument.own_ranges(last.function) if self._instrument else ()
            judgement = judge.judge_overload(measured.unit, proved_by_overload(last, known))
        else:
            judgement = judge.judge(shown.window)
        result = self._verdict(step, judge.limits, measured, judgement, at, confirmed=True)
        yield Touch(step.id, _touch_outcome(result.outcome), measured, self._probes.in_air[0].at, at)
        self._probes.judged_in_air(at)
        yield from self._conclude(result)

    def _confirmable(self) -> Settled | None:
        """Return the idle-like value that the technician could confirm as real now."""
        if not isinstance(self.step, MeasuredStep):
            return None
        limits = self.limits()
        spread = limits.nearest_zero / 50 if limits else Decimal(0)
        if self.hunt is not None:
            spread = WANDERS  # what floats never stands still, and dead or floating is all that a search asks here
        return still_near_zero(self._probes.in_air, spread)

    def _verdict(
        self,
        step: MeasuredStep,
        limits: Limits,
        measured: Measured,
        judgement: Judgement,
        at: Instant,
        *,
        confirmed: bool = False,
    ) -> Verdict:
        """Write a judgement down; two dead points that agree prove nothing about what lies between them."""
        outcome, reason = judgement.outcome, judgement.reason
        partner = partner_of(step, self.procedure.steps)
        if partner is not None and outcome is VerdictOutcome.PASS and dead(self.verdicts.get(partner.id)):
            outcome, reason = VerdictOutcome.UNCLEAR, f"Nothing on either side: look upstream of {step.point}."
        elif outcome is VerdictOutcome.FAIL and _too_low(measured, limits):
            live = last_live(self.procedure, self.verdicts, step)
            reason += f" The last good point is {live.point}." if live else ""
        if judgement.budget is None:
            self._budgets.pop(step.id, None)
        else:
            self._budgets[step.id] = judgement.budget
        source = step.source
        return Verdict(step.id, outcome, measured, limits.text, confirmed, reason, at, source, judgement.assessment)

    # Steps

    def _begin(self, at: Instant) -> Iterator[Outcome]:
        if self.procedure.begin_with == "find" and self._tied is not None:
            yield from self._hunt_from(self.procedure.steps[0], at)
        else:
            yield from self._go_to(self._index, at)

    def _conclude(self, result: Verdict) -> Iterator[Outcome]:
        step = self.step
        if self.hunt is not None and result.measured is not None:
            yield from self._hunt_touched(self.hunt, result)
            return
        self.verdicts[result.step] = result
        self._last_judged, self._latest = result.step, result
        yield result
        yield Cue(result.outcome.value, verdict(step, result), step.id, result.at)
        self._probes.require_lift()
        if result.outcome is VerdictOutcome.FAIL and step.on_fail == "find" and self._asks_circuit(step):
            yield from self._hunt_from(step, result.at)
            return
        stopped = result.outcome is not VerdictOutcome.PASS and step.on_fail in ("stop", "find")
        following = None if stopped else self._first_open()
        if following is None:
            yield from self._end(result.at)
        else:
            yield from self._go_to(following, result.at)

    def _end(self, at: Instant) -> Iterator[Outcome]:
        yield from self._touches(self._probes.drop())
        self.hunt = None
        self.ended = True
        yield self.tally(at)

    def _first_open(self) -> int | None:
        steps = self.procedure.steps
        return next((index for index, step in enumerate(steps) if step.id not in self.verdicts), None)

    def _go_to(self, index: int, at: Instant) -> Iterator[Outcome]:
        before = self.step if self._index != index and self.hunt is None else None
        self._index, self.hunt = index, None
        yield from self._ask(at, before)

    def _ask(self, at: Instant, before: Step | None) -> Iterator[Outcome]:
        self._announced = at
        self._told.clear()
        self._probes.require_lift()
        limits = self.limits()
        if limits is not None:
            self._probes.idle = Idle.for_limits(limits)
        yield self.announcement(at, before)

    # Searches

    def _asks_circuit(self, step: Step) -> bool:
        return self._tied is not None and self._tied.question(step) is not None

    def _hunt_from(self, failed: Step, at: Instant) -> Iterator[Outcome]:
        """Begin a search, with what the steps have read so far."""
        assert self._tied is not None  # noqa: S101 - only asked for with a circuit
        self.hunt = Hunt(self._tied, failed, self._hunted, self._instrument, self._mended)
        given = [(step, self.verdicts[step.id]) for step in self.procedure.steps if step.id in self.verdicts]
        self.hunt.begin(given)
        yield from self._hunt_on(self.hunt, None, at)

    def _hunt_on(self, hunt: Hunt, before: Step | None, at: Instant) -> Iterator[Outcome]:
        """Say where the search stands, and ask for what it wants next."""
        self._hunted = hunt.number
        yield hunt.found(at)
        yield Cue("found" if hunt.finding.sure else "find", hunt.why(), hunt.step.id, at)
        yield from self._ask(at, before)

    def _hunt_touched(self, hunt: Hunt, result: Verdict) -> Iterator[Outcome]:
        assert result.measured is not None  # noqa: S101 - only called then
        before = hunt.step
        self._latest = result
        hunt.take(result.measured)
        yield Cue("read", f"{before.point}: {result.measured}.", before.id, result.at)
        yield from self._hunt_on(hunt, before, result.at)

    def _hunt_answered(self, hunt: Hunt, item: Input) -> Iterator[Outcome]:
        turn = hunt.answer(yes=item.answer is Answer.CONFIRM)
        if turn is Turn.ON:
            self._hunted = hunt.number
            yield from self._ask(item.at, None)
        elif turn is Turn.GIVEN_UP:
            yield Cue("given-up", "The search is given up; the fault is still there.", hunt.step.id, item.at)
            yield from self._end(item.at)
        else:
            self._mended |= hunt.places
            for step in hunt.touched_by_repair():
                self.verdicts.pop(step.id, None)
                self._budgets.pop(step.id, None)
            yield Cue("prove-again", "Now what the repair touched is proved again.", hunt.step.id, item.at)
            yield from self._go_to(self._first_open() or 0, item.at)

    def _waited(self, since: Instant, at: Instant) -> bool:
        """Tell whether the technician has waited long enough in this step for a hint."""
        return at.monotonic_ns - max(since, self._announced).monotonic_ns >= PATIENCE_NS

    def _touches(self, ended: list[Contact]) -> Iterator[Touch]:
        for contact in ended:
            outcome = contact.outcome or TouchOutcome.UNSTEADY
            yield Touch(contact.step, outcome, contact.measured, contact.start, contact.last)

    def _tell_once(self, told: set[str], code: str, text: str, at: Instant) -> Iterator[Cue]:
        if code not in told:
            told.add(code)
            yield Cue(code, text, self.step.id, at)


def _touch_outcome(outcome: VerdictOutcome) -> TouchOutcome:
    return TouchOutcome.OUT_OF_LIMITS if outcome is VerdictOutcome.FAIL else TouchOutcome.MATCHED


def _live_circuit(function: Function, measured: Measured) -> bool:
    """Tell whether a resistance reads clearly below 0, which only a voltage on the circuit can do."""
    return function.unit == "Ohm" and measured.value is not None and measured.value < -1


def _too_low(measured: Measured, limits: Limits) -> bool:
    return measured.value is not None and abs(measured.value) < limits.nearest_zero


def _value_of(verdict: Verdict | None) -> Measured | None:
    return verdict.measured if verdict else None
