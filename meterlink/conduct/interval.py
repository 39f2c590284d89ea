"""The time between two changes at one point: a door that is released until it is locked again. Pure.

What cannot be told: leads that are lifted show what a dead point shows, so where one of the two limits accepts that,
lifting them looks like the change. The record says so.
"""

from collections.abc import Iterator

from meterlink.conduct.spells import Spells
from meterlink.conduct.timed import FRESH_NS, JudgeFor, Said, nothing_to_confirm, often, said_to_start_over, up_to
from meterlink.contact import Idle
from meterlink.judging.timing import in_seconds, judge_time
from meterlink.limits import Limits
from meterlink.outcome import Answer, Change, Cue, Measured, Verdict, VerdictOutcome
from meterlink.procedure.model import IntervalStep
from meterlink.reading import NS_PER_S, Instant, Reading


class Interval:
    """Conducts one `interval` step."""

    def __init__(self, step: IntervalStep, judge: JudgeFor) -> None:
        """Begin.

        Args:
            step: what is asked.
            judge: gives the decision rule; the time itself is not read on the display.
        """
        self._step, self._decision = step, judge(step.limits).decision
        self._idle = Idle.for_limits(step.from_)
        self._begin()

    def _begin(self) -> None:
        self._spells = Spells(self._step.id)
        self._ready = False
        self._prompted = False
        self._first: Change | None = None
        self._last: Reading | None = None
        self._looks_lifted = False
        """Whether one of the changes is one that lifted leads would show too."""

    @property
    def step(self) -> IntervalStep:
        """What is conducted."""
        return self._step

    @property
    def limits(self) -> Limits:
        """Those of the change that is waited for."""
        return self._step.from_ if self._first is None else self._step.to

    @property
    def under_way(self) -> bool:
        """Whether the point is watched for its changes."""
        return self._ready

    @property
    def confirms(self) -> str | None:
        """That the probes are on, where the display cannot tell."""
        return f"Both probes are on {self._step.point}." if self._prompted and not self._ready else None

    def take(self, reading: Reading, *, touching: bool) -> Iterator[Said]:
        """Follow one reading."""
        self._last = reading
        change = self._spells.take(self._state(reading), reading)
        state = self._spells.state
        if not self._ready:
            if state is None or state == "from" or state != self._state(reading):
                return
            if touching:
                yield from self._get_ready(reading.at)
            elif not self._prompted:
                self._prompted = True
                text = "The display shows what leads in the air show. With both probes firmly on, confirm."
                yield Cue("interval-ready", text, self._step.id, reading.at)
        elif change is not None:
            yield change
            self._looks_lifted = self._looks_lifted or self._idle.covers(reading)
            if change.now == "from":
                self._first = change
                yield Cue(
                    "timing", f"{Measured(reading.value, reading.unit)}: the clock runs.", self._step.id, reading.at
                )
            elif change.now == "to" and self._first is not None:
                yield self._verdict(self._first, change, reading.at)

    def answer(self, answer: Answer, at: Instant) -> Iterator[Said]:
        """Yes: the probes are on although the display shows what lifted leads show. No: the end never came."""
        last = self._last
        if answer is Answer.REFUSE:
            if self._first is not None:
                yield self._never(self._first, at)
            else:
                yield from self.start_over(at, "Not counted.")
        elif self._ready:
            yield nothing_to_confirm(self._step, at, "the changes themselves are waited for.")
        elif last is None or at.monotonic_ns - last.at.monotonic_ns > FRESH_NS:
            yield nothing_to_confirm(self._step, at, "no fresh reading.")
        elif self._spells.state in (None, "from"):
            text = f"{self._step.point} must first stand outside {self._step.from_.text}."
            yield nothing_to_confirm(self._step, at, text)
        else:
            yield from self._get_ready(at)

    def start_over(self, at: Instant, why: str) -> Iterator[Said]:
        """Forget what was seen."""
        told = self._ready
        self._begin()
        if told:
            yield said_to_start_over(self._step, at, why)

    def _state(self, reading: Reading) -> str:
        if self._step.from_.accept(reading.value):
            return "from"
        return "to" if self._step.to.accept(reading.value) else "out"

    def _get_ready(self, at: Instant) -> Iterator[Cue]:
        self._ready = True
        self._spells.bounces = 0
        text = f"Ready. Let it happen; the clock starts at {self._step.from_.text}."
        yield Cue("interval-ready", text, self._step.id, at)

    def _verdict(self, first: Change, second: Change, at: Instant) -> Verdict:
        took = second.at.monotonic_ns - first.at.monotonic_ns
        judged = judge_time(took, (first.within_ns, second.within_ns), self._step.limits, self._decision)
        slack = (first.within_ns + second.within_ns) // 2
        told = f"{judged.reason} Known to ± {up_to(slack)}, the meter's updates; its display's own lag counts as even."
        if self._spells.bounces:
            told += f" It bounced {often(self._spells.bounces)}."
        if self._looks_lifted:
            told += " Lifted leads would look the same."
        measured = Measured(in_seconds(took), "s")
        limits, source = self._step.limits.text, self._step.source
        return Verdict(self._step.id, judged.outcome, measured, limits, False, told, at, source, judged.assessment)

    def _never(self, first: Change, at: Instant) -> Verdict:
        waited = at.monotonic_ns - first.at.monotonic_ns
        told = f"{self._step.to.text} was not reached within {waited / NS_PER_S:.1f} s."
        limits, source = self._step.limits.text, self._step.source
        return Verdict(self._step.id, VerdictOutcome.FAIL, None, limits, True, told, at, source)
