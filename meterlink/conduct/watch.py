"""A value that is to stay inside limits for as long as the lift travels. Pure.

What cannot be told: a dip shorter than the time between two updates, which the verdict says; and a probe that slipped
for a moment from a point that dropped out.
"""

from collections.abc import Iterator

from meterlink.assessment import Assessment
from meterlink.conduct.timed import FRESH_NS, JudgeFor, Said, lasted, nothing_to_confirm, said_to_start_over, up_to
from meterlink.limits import Limits
from meterlink.outcome import Answer, Cue, Measured, Verdict, VerdictOutcome
from meterlink.procedure.model import WatchStep
from meterlink.reading import NS_PER_S, Instant, Reading
from meterlink.settle import newest, settle

_BACK_WITHIN_NS = 2 * NS_PER_S
"""A value that stays outside for longer has not dipped; it is gone."""


class Watch:
    """Conducts one `watch` step."""

    def __init__(self, step: WatchStep, judge: JudgeFor) -> None:
        """Begin.

        Args:
            step: what is asked.
            judge: by which the value is judged, before and at its worst.
        """
        self._step, self._judge = step, judge
        self._begin()

    def _begin(self) -> None:
        self._window: list[Reading] = []
        """What stands, before watching."""
        self._ready = False
        self._started: Instant | None = None
        self._last: Reading | None = None
        """The newest reading that says something."""
        self._inside: list[Reading] = []
        """While watching: the lowest, the highest and the newest reading inside."""
        self._longest_ns = 0
        """The longest time between two readings."""
        self._outside: list[Reading] = []
        self._overloads = 0

    @property
    def step(self) -> WatchStep:
        """What is conducted."""
        return self._step

    @property
    def limits(self) -> Limits:
        """Those watched."""
        return self._step.limits

    @property
    def under_way(self) -> bool:
        """Whether it watches."""
        return self._started is not None

    @property
    def confirms(self) -> str | None:
        """That the travel begins, or that the lift has stopped."""
        if self._started is not None:
            return "The lift has stopped."
        return "The travel begins." if self._ready else None

    def take(self, reading: Reading, *, touching: bool) -> Iterator[Said]:
        """Follow one reading."""
        if self._started is not None:
            yield from self._watch(reading, self._started)
            return
        self._last = reading
        if reading.value is None or not touching:
            self._window.clear()
            self._ready = False
            return
        self._window = newest([*self._window, reading])
        judge = self._judge(self._step.limits)
        settled = settle(self._window, judge.zones)
        if settled is None or settled[1] is None:
            return
        if settled[1] is not VerdictOutcome.PASS:
            judgement = judge.judge(settled[0].window)
            told = f"Before watching: {judgement.reason}"
            yield self._verdict(judgement.outcome, settled[0].measured, told, reading.at, judgement.assessment)
        elif self._step.begins == "settled":
            yield from self._start(reading.at)
        elif not self._ready:
            self._ready = True
            text = f"{settled[0].measured}. Hold the probes; confirm, travel, and confirm when it has stopped."
            yield Cue("watch-ready", text, self._step.id, reading.at)

    def answer(self, answer: Answer, at: Instant) -> Iterator[Said]:
        """Yes: watching begins, or the lift has stopped. No: it is begun anew."""
        last = self._last
        if answer is Answer.REFUSE:
            yield from self.start_over(at, "Not counted.")
        elif last is None or at.monotonic_ns - last.at.monotonic_ns > FRESH_NS:
            yield nothing_to_confirm(self._step, at, "no fresh reading.")
        elif self._started is None:
            if self._step.limits.accept(last.value):
                yield from self._start(at)
            else:
                yield nothing_to_confirm(self._step, at, f"{self._step.point} is not inside {self._step.limits.text}.")
        elif self._outside:
            yield self._dipped(None, at)
        else:
            elapsed = last.at.monotonic_ns - self._started.monotonic_ns
            if elapsed < self._step.least_ns:
                text = f"Only {lasted(elapsed)} so far; {self._step.least.value} s at least. Watching goes on."
                yield Cue("too-short", text, self._step.id, at)
            else:
                yield self._held(elapsed, at)

    def start_over(self, at: Instant, why: str) -> Iterator[Said]:
        """Forget what was watched."""
        told = self._started is not None
        self._begin()
        if told:
            yield said_to_start_over(self._step, at, why)

    def _start(self, at: Instant) -> Iterator[Cue]:
        assert self._last is not None  # noqa: S101 - only called then
        self._started = self._last.at
        self._inside = [self._last] * 3
        text = f"Watching {self._step.point}. Confirm when it has stopped, after {self._step.least.value} s at least."
        yield Cue("watching", text, self._step.id, at)

    def _watch(self, reading: Reading, started: Instant) -> Iterator[Said]:
        accepted = self._step.limits.accept(reading.value)
        if not accepted and reading.value is None and not self._outside:
            self._overloads += 1  # a display that changes its range may show OL for one update
            if self._overloads == 1:
                return
        self._overloads = 0
        before, self._last = self._last, reading
        assert before is not None  # noqa: S101 - watching began with a reading
        self._longest_ns = max(self._longest_ns, reading.at.monotonic_ns - before.at.monotonic_ns)
        if accepted:
            if self._outside:
                yield self._dipped(reading, reading.at)
            else:
                lowest, highest, _ = self._inside
                self._inside = [min(lowest, reading, key=_height), max(highest, reading, key=_height), reading]
            return
        self._outside.append(reading)
        if len(self._outside) == 1:
            after = lasted(reading.at.monotonic_ns - started.monotonic_ns)
            yield Cue("dip", f"{_shown(reading)} after {after}: outside.", self._step.id, reading.at)
        elif reading.at.monotonic_ns - self._outside[0].at.monotonic_ns > _BACK_WITHIN_NS:
            yield self._dipped(None, reading.at)

    def _dipped(self, back: Reading | None, at: Instant) -> Verdict:
        """Fail, with when it went outside and for how long."""
        assert self._started is not None  # noqa: S101 - only called while watching
        first, last, before = self._outside[0], self._outside[-1], self._inside[2]
        after = lasted(first.at.monotonic_ns - self._started.monotonic_ns)
        shortest = last.at.monotonic_ns - first.at.monotonic_ns
        if back is None:
            long = f"for {lasted(shortest)} at least, and not back"
        else:
            longest = back.at.monotonic_ns - before.at.monotonic_ns
            long = f"for {lasted(shortest)} to {up_to(longest)}"
        worst = max(self._outside, key=self._room)
        told = f"Outside {self._step.limits.text} after {after}, {long}. A probe that slips looks the same."
        assessment = None if worst.value is None else self._judge(self._step.limits).judge([worst]).assessment
        return self._verdict(VerdictOutcome.FAIL, Measured(worst.value, worst.unit), told, at, assessment)

    def _held(self, elapsed: int, at: Instant) -> Verdict:
        """Judge the worst of what was seen."""
        lowest, highest, _ = self._inside
        told = f"Inside for {lasted(elapsed)}, {_shown(lowest)} to {_shown(highest)}. "
        told += f"A dip shorter than {up_to(self._longest_ns)} can have been missed."
        numbers = [each for each in (lowest, highest) if each.value is not None]
        if not numbers:
            measured = Measured(None, highest.unit)
            return self._verdict(VerdictOutcome.PASS, measured, told, at, None, confirmed=True)
        judge = self._judge(self._step.limits)
        judged = [(judge.judge([each]), each) for each in numbers]
        judgement, worst = min(judged, key=lambda each: (each[0].outcome is VerdictOutcome.PASS, self._room(each[1])))
        if judgement.outcome is not VerdictOutcome.PASS:
            told = f"{judgement.reason} {told}"
        measured = Measured(worst.value, worst.unit)
        return self._verdict(judgement.outcome, measured, told, at, judgement.assessment, confirmed=True)

    def _verdict(
        self,
        outcome: VerdictOutcome,
        measured: Measured,
        told: str,
        at: Instant,
        assessment: Assessment | None,
        *,
        confirmed: bool = False,
    ) -> Verdict:
        step = self._step
        return Verdict(step.id, outcome, measured, step.limits.text, confirmed, told, at, step.source, assessment)

    def _room(self, reading: Reading) -> float:
        """How far a reading lies from the nearest limit; OL farthest."""
        margin = None if reading.value is None else self._step.limits.margin(reading.value)
        return float("inf") if margin is None else float(margin)


def _height(reading: Reading) -> float:
    return float("inf") if reading.value is None else float(reading.value)


def _shown(reading: Reading) -> str:
    return str(Measured(reading.value, reading.unit))
