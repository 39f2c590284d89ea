"""The procedure engine: readings and answers in, touches, verdicts and cues out.

Pure: it reads no clock and does no I/O; time comes with each input. The same procedure and the same inputs give the
same outcomes, always, so replaying a record, resuming a job and running live are one thing.

The engine leads through the steps; how each kind of step is conducted stands in `meterlink.conduct`.
"""

from collections.abc import Collection, Iterable, Iterator
from decimal import Decimal

from meterlink.circuit.tied import Tied
from meterlink.conduct.any_order import AnyOrder
from meterlink.conduct.course import MOST_ROUNDS, Course
from meterlink.conduct.dead import DeadProof
from meterlink.conduct.interval import Interval
from meterlink.conduct.jumpers import Jumpers, entry_of
from meterlink.conduct.operate import Operate
from meterlink.conduct.standard import Standard
from meterlink.conduct.timed import Said, Timed
from meterlink.conduct.touching import PATIENCE_NS, Awaited, Judged, Touching, live_circuit, touch_outcome
from meterlink.conduct.watch import Watch
from meterlink.contact import GAP_NS, Contact, Idle, Probes
from meterlink.findings import lost_between
from meterlink.gestures import Gesture, Gestures, Way
from meterlink.hunt import Hunt, Turn
from meterlink.instrument import Instrument
from meterlink.judging.judge import Judge
from meterlink.limits import Limits
from meterlink.outcome import (
    Answer,
    Answered,
    Break,
    Cue,
    End,
    EngineInput,
    Gap,
    Input,
    Jumper,
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
    announce_any,
    fits_none,
    meter_stated,
    verdict,
    why_refused,
)
from meterlink.procedure.model import (
    AgreeStep,
    AnsweredStep,
    AskStep,
    BridgeStep,
    DeadStep,
    IntervalStep,
    MeasuredStep,
    OperateStep,
    Procedure,
    ReadingStep,
    Step,
    WatchStep,
)
from meterlink.reading import NS_PER_S, Instant, Reading, State

DEBOUNCE_NS = 3 * NS_PER_S // 10
"""An answer sooner than this after a step was announced was meant for the step before (common practice, no source)."""

VISIT_NS = 4 * 3600 * NS_PER_S
"""A longer pause than this begins a new visit: somebody may have switched on meanwhile (common practice, no source)."""

_BROKEN = "The readings were broken off."


class Engine:
    """One run of one procedure. Feed it inputs in order of time; once ended, only a stopped job can be reopened."""

    def __init__(self, procedure: Procedure, tied: Tied | None = None, ways: Collection[Way] = ()) -> None:
        """Be ready to start.

        Args:
            procedure: with every limit in its place.
            tied: the same with its circuit, for searches; None for one without.
            ways: how an answer may be given with what the hands hold.
        """
        self.procedure = procedure
        self._tied = tied
        self.hunt: Hunt | None = None
        """The search for a fault that is under way; None while the procedure's own steps are."""
        self._hunted = 0
        self._mended: frozenset[str] = frozenset()
        self.course = Course(procedure)
        """What the steps have come to so far."""
        self.jumpers = Jumpers()
        """The temporary jumpers that are in."""
        self.ended = False
        self._standard = Standard(procedure, self.course)
        self._groups = AnyOrder(procedure, self.course)
        self._index = 0
        self._probes = Probes()
        self._touching = Touching(self._probes)
        self._timed: Timed | None = None
        """What conducts the waiting step, where its readings are followed over time."""
        self._since: Instant | None = None
        """When the first touch began that belongs to what is followed."""
        self._proof: DeadProof | None = None
        """What conducts the waiting step, where it is to prove a point dead."""
        self._closing: list[BridgeStep] = []
        """The questions about jumpers still in, at the end of the job; the first one is asked."""
        self._chosen: Contact | None = None
        """The touch that was found to fit one of a group's steps."""
        self._announced = Instant(0, 0)
        self._last_judged: str | None = None
        self._latest: Verdict | None = None
        """What the last touch came to that was judged, or taken in by a search."""
        self._told: set[str] = set()
        self._gestures = Gestures(frozenset(ways))
        self._given: Instant | None = None
        """When a gesture confirmed what has yet to be seen again on the display."""
        self._fed: Instant | None = None

    @property
    def verdicts(self) -> dict[str, Verdict]:
        """The last verdict of each step judged so far."""
        return self.course.verdicts

    @property
    def step(self) -> Step:
        """The step that is waited for (or was last, once ended); one made up on the way while such a one is asked."""
        if self.hunt is not None:
            return self.hunt.step
        if self._closing:
            return self._closing[0]
        return self._proof.step if self._proof else self.procedure.steps[self._index]

    @property
    def tied(self) -> Tied | None:
        """The procedure with its circuit; None for one without."""
        return self._tied

    @property
    def open_points(self) -> list[str]:
        """The points of which any may be touched now; the waiting step's alone where only that may."""
        return [step.point for step in self._any_order()] or [self.step.point]

    def confirms(self) -> str | None:
        """Say what yes would confirm at this moment; None where it would confirm nothing."""
        step = self.step
        if self.ended:
            return None
        if isinstance(step, AnsweredStep):
            return step.question
        if self._timed is not None:
            return self._timed.confirms
        shown = self._touching.confirmable(self._awaited())
        return f"{step.point} reads {shown.measured}" if shown and self._probes.lifted else None

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
        fed, self._fed = self._fed, item.at
        paused = fed is not None and item.at.monotonic_ns - fed.monotonic_ns > VISIT_NS
        return [*(self._new_visit(item.at) if paused else ()), *self._take(item)]

    def _take(self, item: EngineInput) -> Iterator[Outcome]:
        if isinstance(item, Instrument):
            self._standard.instrument = item
            yield Cue("meter", meter_stated(item), None, item.at)
        elif isinstance(item, Jumper):
            yield from self._jumper(item)
        elif isinstance(item, Input):
            yield from self._answer(item)
        elif self.ended:
            return
        elif isinstance(item, Gap):
            yield from self._gap(item)
        else:
            yield from self._reading(item)

    def announcement(self, at: Instant, before: Step | None = None) -> Cue:
        """Ask for the waiting step; in full unless it follows another."""
        step, code = self.step, "probe"
        if isinstance(step, AnsweredStep):
            code = "ask" if isinstance(step, AskStep) else "look"
        open_ones = self._any_order()
        text = announce_any(open_ones, before) if open_ones else announce(step, before)
        if self._proof is not None:
            text = f"{self._proof.asks}{text}"
        elif self._closing:
            code = "jumper-open"
        elif self.hunt is None:
            group = self.procedure.group_of(step)
            if group is not None and (before is None or before.id not in group.steps):
                text = f"{group.title}. {text}"
        return Cue(code, text, step.id, at)

    def limits(self) -> Limits | None:
        """Return the limits of the waiting step, worked out; None for a step that the meter does not judge."""
        return self._timed.limits if self._timed is not None else self._standard.limits(self.step)

    def may_be_off(self, reading: Reading) -> Decimal | None:
        """By how much a reading may be off for the waiting step, in its unit; None where that is not known."""
        judge = self._standard.judge(self.step, self.limits())
        if judge is None or reading.value is None or reading.unit != judge.limits.unit:
            return None
        return judge.expanded([reading])

    def tally(self, at: Instant) -> End:
        """Count the verdicts given so far."""
        outcomes = [given.outcome for given in self.verdicts.values()]
        missing = self.course.missing
        return End(
            complete=not missing and not self.jumpers.open,
            passed=outcomes.count(VerdictOutcome.PASS),
            failed=outcomes.count(VerdictOutcome.FAIL),
            unclear=outcomes.count(VerdictOutcome.UNCLEAR),
            not_judged=missing,
            lost_between=lost_between(self.procedure, self.verdicts),
            at=at,
            not_applicable=outcomes.count(VerdictOutcome.NOT_APPLICABLE),
            jumpers_open=self.jumpers.open,
        )

    # Readings

    def _reading(self, reading: Reading) -> Iterator[Outcome]:
        before = self._probes.last
        gesture = self._gestures.take(reading, lambda: self._by_hand(reading.at))
        if self._gestures.holding:
            if gesture is not None:
                yield self._hold_seen(reading.at)
            self._probes.pass_over(reading)
            return
        refused = why_refused(reading)
        if refused is not None:
            self._probes.pass_over(reading)
            yield from self._awaited().tell(*refused, reading.at)
            yield from self._start_over(reading.at, "Nothing is judged from this display.")
            return
        self._told -= REFUSED_CODES
        followed = self._timed is not None and self._timed.under_way
        ended = self._probes.take(reading)
        yield from self._touches(contact for contact in ended if not (followed and contact.eligible))
        if followed and self._since is None:
            self._since = next((each.start for each in ended if each.eligible), None)
        if gesture is not None:
            yield from self._gestured(*gesture, reading.at)
        if gesture is not None or self._gestures.shorting:
            return
        if self._timed is not None and self._follows(self._timed, reading):
            apart = reading.at.monotonic_ns - before.at.monotonic_ns if before else 0
            if apart > GAP_NS:
                yield from self._start_over(reading.at, _BROKEN)
            if before is None or not self._probes.sent_twice:
                yield from self._follow(self._timed, reading)
            yield from self._seen_again(reading.at)
            return
        yield from self._start_over(reading.at, "The dial was turned.")
        yield from self._touched(reading)
        yield from self._seen_again(reading.at)

    def _touched(self, reading: Reading) -> Iterator[Outcome]:
        contact, undecided = self._probes.contact, False
        if contact is not None and contact.eligible and not contact.dips and self._any_order():
            yield from self._choose(contact, reading)
            undecided = self._chosen is not contact
        awaited = self._awaited()
        if undecided:
            awaited.judge = None
        for each in self._touching.reading(awaited, reading):
            yield from self._come_to(each) if isinstance(each, Judged) else (each,)

    def _gap(self, gap: Gap) -> Iterator[Outcome]:
        if self._touching.confirming and gap.reason is Break.ENDED:
            for each in self._touching.judge_confirmed(self._awaited(), gap.at):
                yield from self._come_to(each) if isinstance(each, Judged) else (each,)
        self._touching.unconfirm()
        self._given = None
        self._gestures.clear()
        yield from self._touches(self._probes.drop())
        if gap.reason is not Break.ENDED:
            yield from self._start_over(gap.at, _BROKEN)
        if gap.reason in LINK_CUES:
            yield Cue(*LINK_CUES[gap.reason], self.step.id, gap.at)
        if gap.reason in (Break.LINK_BACK, Break.HEARD_AGAIN, Break.RESUMED):
            yield self.announcement(gap.at)

    # Steps whose readings are followed over time

    def _follows(self, timed: Timed, reading: Reading) -> bool:
        """Tell whether a reading is one of the step's own."""
        contact = self._probes.contact
        lifted = contact.eligible if contact is not None else self._probes.lifted
        return lifted and reading.function in timed.step.measure

    def _follow(self, timed: Timed, reading: Reading) -> Iterator[Outcome]:
        contact = self._probes.contact
        if live_circuit(reading.function, Measured(reading.value, reading.unit)):
            text = "Resistance below 0: voltage on the circuit. Lift the probes and isolate it first."
            yield from self._awaited().tell("live-circuit", text, reading.at)
            yield from self._start_over(reading.at, _BROKEN)
        elif reading.state is not State.BLANK:
            yield from self._heed(timed, timed.take(reading, touching=contact is not None and not contact.dips))

    def _heed(self, timed: Timed, said: Iterable[Said]) -> Iterator[Outcome]:
        """Pass on what a step's conduct says; its verdict ends it."""
        for each in said:
            if not isinstance(each, Verdict):
                yield each
                continue
            contact, outcome = self._probes.contact, touch_outcome(each.outcome)
            if contact is not None:
                contact.step, contact.outcome, contact.measured = timed.step.id, outcome, each.measured
                contact.start = min(contact.start, self._since or contact.start)
            elif each.measured is not None:
                yield Touch(timed.step.id, outcome, each.measured, self._since or self._announced, each.at)
            yield from self._conclude(each)
            return

    def _start_over(self, at: Instant, why: str) -> Iterator[Outcome]:
        """Something broke in: what is followed over time, or proved in turn, begins anew."""
        self._since = None
        if self._timed is not None:
            yield from self._timed.start_over(at, why)
        if self._proof is not None and why == _BROKEN:
            yield from self._proof.start_over(at)

    def _conduct(self, step: Step) -> Timed | None:
        def judge(limits: Limits) -> Judge:
            made = self._standard.judge(step, limits)
            assert made is not None  # noqa: S101 - a measured step with limits
            return made

        if isinstance(step, OperateStep):
            return Operate(step, judge)
        if isinstance(step, WatchStep):
            return Watch(step, judge)
        return Interval(step, judge) if isinstance(step, IntervalStep) else None

    # Groups in any order

    def _any_order(self) -> list[ReadingStep]:
        """The steps of a group of which any may be touched now; none where but one may."""
        made_up = self.hunt is not None or self._closing or self._proof is not None
        return [] if made_up else self._groups.open(self.procedure.steps[self._index])

    def _choose(self, contact: Contact, reading: Reading) -> Iterator[Cue]:
        """Find the step that a touch fits; where it fits none, they are asked for one by one."""
        open_ones = self._any_order()
        fitting = self._groups.fitting(open_ones, contact, reading)
        if isinstance(fitting, ReadingStep):
            self._index = self.course.place(fitting.id)
            self._chosen = contact
        elif fitting is not None:
            self._probes.require_lift()
            yield Cue("fits-none", fits_none(fitting, open_ones), self.step.id, reading.at)

    # Judging

    def _awaited(self) -> Awaited:
        limits = self.limits()
        return Awaited(
            step=self.step,
            limits=limits,
            judge=self._standard.judge(self.step, limits),
            announced=self._announced,
            latest=self._latest,
            instrument=self._standard.instrument,
            wanders=self.hunt is not None,
            told=self._told,
        )

    def _come_to(self, judged: Judged) -> Iterator[Outcome]:
        step = self.step
        assert isinstance(step, MeasuredStep)  # noqa: S101 - nothing else is judged
        yield from self._conclude(self._standard.verdict(step, judged))

    # Answers

    def _answer(self, item: Input) -> Iterator[Outcome]:
        step = self.step
        if self.ended:
            yield from self._taken_up_again(item)
            return
        if self._touching.confirming and item.answer is Answer.CONFIRM:
            return
        self._touching.unconfirm()
        self._given = None
        if item.answer is Answer.BACK:
            stays = self.hunt is not None or bool(self._closing)
            yield from self._go_to(self._index if stays else self.course.before(self._index), item.at)
        elif item.answer is Answer.REPEAT and self.hunt:
            self._probes.require_lift()
            yield self.announcement(item.at)
        elif item.answer is Answer.REPEAT:
            under_way = self._timed is not None and self._timed.under_way
            again = None if under_way or (self._proof and self._proof.phase) else self._last_judged
            yield from self._go_to(self.course.place(again) if again else self._index, item.at)
        elif self._too_soon(item.at):
            return
        elif self.hunt is not None and isinstance(step, AnsweredStep):
            yield from self._hunt_answered(self.hunt, item)
        elif isinstance(step, AnsweredStep):
            yield from self._answered(step, yes=item.answer is Answer.CONFIRM, at=item.at)
        elif self._timed is not None:
            yield from self._heed(self._timed, self._timed.answer(item.answer, item.at))
        elif item.answer is Answer.CONFIRM:
            yield from self._touching.confirm(self._awaited(), step, item.at)
        elif self._proof is not None and step.point != self.procedure.steps[self._index].point:
            yield from self._proved(self._proof.refuse(item.at))
        else:
            self._probes.require_lift()
            yield Cue("refused", f"Not counted. Lift the probes, then touch {step.point}.", step.id, item.at)

    def _too_soon(self, at: Instant) -> bool:
        first = not self._index and not self.hunt and not self._closing
        return not first and at.monotonic_ns - self._announced.monotonic_ns < DEBOUNCE_NS

    def _taken_up_again(self, item: Input) -> Iterator[Outcome]:
        """Go on with a job that ended before all was proved and every jumper out."""
        if item.answer is not Answer.REPEAT or self.tally(item.at).complete:
            return
        self.ended = False
        if not self.course.missing:
            yield from self._close(item.at)
        else:
            yield from self._begin(item.at) if not self.verdicts else self._go_to(self._index, item.at)

    def _answered(self, step: AnsweredStep, *, yes: bool, at: Instant) -> Iterator[Outcome]:
        if self._closing:
            yield from self._closed(yes=yes, at=at)
            return
        if isinstance(step, AskStep):
            self.course.answers[step.id] = yes
            yield Answered(step.id, yes, at)
            yield Cue("answered", f"{step.point}: {'yes' if yes else 'no'}.", step.id, at)
            self._probes.require_lift()
            yield from self._go_on(at)
            return
        outcome = VerdictOutcome.PASS if yes else VerdictOutcome.FAIL
        reason = "Seen and confirmed." if yes else "Seen and refused."
        if yes and isinstance(step, BridgeStep) and step.jumper != "factory":
            yield from self.jumpers.enter(entry_of(step, at), step.id)
        yield from self._conclude(Verdict(step.id, outcome, None, None, True, reason, at))

    # Answers by what the hands hold

    def _by_hand(self, at: Instant) -> tuple[Way, ...]:
        """How a yes may be given now without a keyboard."""
        if self._too_soon(at) or self.confirms() is None:
            return ()
        return (Way.HOLD, Way.SHORT) if isinstance(self.step, AnsweredStep) else (Way.HOLD,)

    def _hold_seen(self, at: Instant) -> Cue:
        text = f"{self.step.point}: HOLD seen. Switch it off to confirm: {self.confirms()}"
        return Cue("hold-seen", text, self.step.id, at)

    def _gestured(self, way: Way, gesture: Gesture, at: Instant) -> Iterator[Outcome]:
        """Ask for the rest of a gesture, or take it for a yes."""
        if gesture is Gesture.BEGUN:
            text = f"{self.step.point}: tips together seen. Once more to confirm: {self.confirms()}"
            yield Cue("short-seen", text, self.step.id, at)
            return
        by = "with the HOLD key" if way is Way.HOLD else "with the tips together twice"
        yield Cue("by-hand", f"Confirmed {by}.", self.step.id, at)
        if isinstance(self.step, AnsweredStep):
            yield from self._answer(Input(Answer.CONFIRM, at))
        elif self._timed is not None and self._timed.under_way and self._gestures.began is not None:
            # What is watched has ended as the key was pressed: from then on the display stood still.
            yield from self._heed(self._timed, self._timed.answer(Answer.CONFIRM, self._gestures.began))
        else:
            self._given = at

    def _seen_again(self, at: Instant) -> Iterator[Outcome]:
        """Take a yes that was given with HOLD once the display, live again, shows what was confirmed."""
        step = self.step
        if self._given is None:
            return
        if self._timed is not None:
            self._given = None
            yield from self._heed(self._timed, self._timed.answer(Answer.CONFIRM, at))
        elif isinstance(step, MeasuredStep) and self._touching.confirmable(self._awaited()):
            self._given = None
            yield from self._touching.confirm(self._awaited(), step, at)
        elif at.monotonic_ns - self._given.monotonic_ns > PATIENCE_NS:
            self._given = None
            text = "Not counted: the display no longer shows what was confirmed."
            yield Cue("nothing-to-confirm", text, self.step.id, at)

    # Jumpers

    def _jumper(self, item: Jumper) -> Iterator[Outcome]:
        """Take the technician's own entry; the last word on an ended job is said anew."""
        before = self.jumpers.open
        yield from self.jumpers.enter(item)
        if self.jumpers.open == before:
            return
        if self.ended:
            yield self.tally(item.at)
        elif self._closing and self._closing[0].point not in self.jumpers.open:
            yield from self._closed(yes=None, at=item.at)

    def _close(self, at: Instant) -> Iterator[Outcome]:
        """All steps are through: ask for each jumper that is still in, then end."""
        self._closing = [self.jumpers.closing(where) for where in self.jumpers.open]
        if self._closing:
            self.hunt, self._timed, self._proof = None, None, None
            yield from self._ask(at, None)
        else:
            yield from self._end(at)

    def _closed(self, *, yes: bool | None, at: Instant) -> Iterator[Outcome]:
        """The question about a jumper was answered, or needs no answer any more."""
        step = self._closing.pop(0)
        if yes:
            yield from self.jumpers.enter(entry_of(step, at), step.id)
        elif yes is False:
            text = f"Jumper {step.point} is still in: the job is not complete."
            yield Cue("jumper-open", text, step.id, at)
        if self._closing:
            yield from self._ask(at, None)
        else:
            yield from self._end(at)

    # Steps

    def _begin(self, at: Instant) -> Iterator[Outcome]:
        if self.procedure.begin_with == "find" and self._tied is not None:
            yield from self._hunt_from(self.procedure.steps[0], at)
        else:
            yield from self._go_to(self._index, at)

    def _conclude(self, result: Verdict) -> Iterator[Outcome]:
        if self.hunt is not None and result.measured is not None:
            yield from self._hunt_touched(self.hunt, result)
        elif self._proof is not None:
            self._latest = result
            yield from self._proved(self._proof.take(result))
        else:
            yield from self._judged(self.procedure.steps[self._index], result)

    def _proved(self, said: Iterable[Cue | Verdict]) -> Iterator[Outcome]:
        """Pass on what a dead proof says; it asks for its next touch until its verdict ends it."""
        before = self.step
        for each in said:
            if isinstance(each, Verdict):
                self._proof = None
                yield from self._judged(self.procedure.steps[self._index], each)
                return
            yield each
            at = each.at
            if each.code != "not-reproved":
                yield from self._ask(at, before)

    def _judged(self, step: Step, result: Verdict) -> Iterator[Outcome]:
        self.verdicts[result.step] = result
        self._last_judged, self._latest = result.step, result
        yield result
        yield Cue(result.outcome.value, verdict(step, result), step.id, result.at)
        self._probes.require_lift()
        if result.outcome is VerdictOutcome.FAIL and step.on_fail == "find" and self._asks_circuit(step):
            yield from self._hunt_from(step, result.at)
        elif result.outcome is not VerdictOutcome.PASS and step.goes_to is not None:
            yield from self._jump(step, step.goes_to, result.at)
        elif result.outcome is not VerdictOutcome.PASS and step.on_fail in ("stop", "find"):
            yield from self._end(result.at)
        else:
            yield from self._go_on(result.at)

    def _jump(self, step: Step, target: str, at: Instant) -> Iterator[Outcome]:
        """Go where a step that did not pass leads."""
        if self.course.place(target) < self.course.place(step.id):
            reopened = self.course.turn_back(step, at)
            if reopened is None:
                text = f"{step.point} has led back {MOST_ROUNDS} times and still does not pass: the job stops."
                yield Cue("no-more-rounds", text, step.id, at)
                yield from self._end(at)
                return
            yield from reopened
        yield from self.course.settle(at)
        aim = self.procedure.steps[self.course.place(target)]
        if self.course.passed_over(aim):
            yield from self._go_on(at)
        else:
            yield Cue("go-to", f"On to {aim.point}.", step.id, at)
            yield from self._go_to(self.course.place(target), at)

    def _go_on(self, at: Instant) -> Iterator[Outcome]:
        """Go to the first step that is still open, or to the end."""
        yield from self.course.settle(at)
        following = self.course.first_open()
        if following is None:
            yield from self._close(at)
        else:
            yield from self._go_to(following, at)

    def _end(self, at: Instant) -> Iterator[Outcome]:
        yield from self._touches(self._probes.drop())
        self.hunt, self._timed, self._proof = None, None, None
        self.ended = True
        yield self.tally(at)

    def _go_to(self, index: int, at: Instant) -> Iterator[Outcome]:
        before = self.step if self._index != index and self.hunt is None else None
        step = self.procedure.steps[index]
        self._index, self.hunt, self._closing, self._groups.given_up = index, None, [], False
        self._proof = DeadProof(step) if isinstance(step, DeadStep) else None
        self._timed = self._conduct(step)
        yield from self._ask(at, before)

    def _ask(self, at: Instant, before: Step | None) -> Iterator[Outcome]:
        self._announced, self._since = at, None
        self._told.clear()
        self._given = None
        self._gestures.clear()
        self._probes.require_lift()
        limits = min((each.limits for each in self._any_order()), key=lambda each: each.nearest_zero, default=None)
        limits = limits or self.limits()
        if limits is not None:
            idle = Idle.for_limits(limits)
            self._probes.idle = idle if self.hunt is None else idle.where_it_may_float()
        yield self.announcement(at, before)

    def _new_visit(self, at: Instant) -> Iterator[Outcome]:
        """A long pause: what holds for one visit is proved again before anything else goes on."""
        if self.ended and self.tally(at).complete:
            return
        reopened = [*self.course.prove_again_on_a_new_visit(at)]
        yield from reopened
        again = [step for each in reopened for step in each.steps]
        if again or self.jumpers.open:
            points = [self.procedure.steps[self.course.place(step)].point for step in again]
            texts = [f"Prove again: {', '.join(points)}."] if points else []
            texts += [f"Jumpers still in: {', '.join(self.jumpers.open)}."] if self.jumpers.open else []
            yield Cue("new-visit", f"A new visit. {' '.join(texts)}", None, at)
        if again:
            self._last_judged = None
            self.hunt, self._closing = None, []
            self._index = self.course.place(again[0])
            step = self.procedure.steps[self._index]
            self._proof = DeadProof(step) if isinstance(step, DeadStep) else None
            self._timed = self._conduct(step)
            self._announced, self._groups.given_up = at, False

    # Searches

    def _asks_circuit(self, step: Step) -> bool:
        """Tell whether a search can begin at a step: at a reading that still stands, which the circuit can explain."""
        at_rest = isinstance(step, ReadingStep | AgreeStep)
        return at_rest and self._tied is not None and self._tied.question(step) is not None

    def _hunt_from(self, failed: Step, at: Instant) -> Iterator[Outcome]:
        """Begin a search, with what the steps have read so far."""
        assert self._tied is not None  # noqa: S101 - only asked for with a circuit
        self._timed, self._proof = None, None
        self.hunt = Hunt(self._tied, failed, self._hunted, self._standard.instrument, self._mended)
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
                self._standard.forget(step.id)
            yield Cue("prove-again", "Now what the repair touched is proved again.", hunt.step.id, item.at)
            yield from self._go_to(self.course.first_open() or 0, item.at)

    def _touches(self, ended: Iterable[Contact]) -> Iterator[Touch]:
        for contact in ended:
            outcome = contact.outcome or TouchOutcome.UNSTEADY
            yield Touch(contact.step, outcome, contact.measured, contact.start, contact.last)
