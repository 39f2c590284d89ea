"""A contact worked by hand: it goes open and closed again, so many times, and each change is seen. Pure.

What cannot be told: leads that are taken off and put on again within the time that a contact may stay open look the
same as the contact; so does a probe that slips. The record says so. A change shorter than two updates is a bounce.
"""

from collections.abc import Iterator, Sequence
from decimal import Decimal

from meterlink.conduct.spells import Spells
from meterlink.conduct.timed import (
    FRESH_NS,
    JudgeFor,
    Said,
    lasted,
    nothing_to_confirm,
    often,
    said_to_start_over,
    up_to,
)
from meterlink.judging.judge import Judgement
from meterlink.limits import Limits
from meterlink.outcome import Answer, Change, Cue, Measured, Verdict, VerdictOutcome
from meterlink.procedure.model import OperateStep
from meterlink.reading import NS_PER_S, Instant, Reading
from meterlink.settle import newest, settle

_BETWEEN_READINGS = 5
_BETWEEN_NS = NS_PER_S
"""A value between the states that stands so long is no contact on its way (common practice, no source)."""

_PUZZLING_NS = 5 * NS_PER_S // 2
"""So long, a value between the states that lifted leads may show too is told of."""

_ANSWERED_NS = NS_PER_S
"""An answer sooner than this after the contact did something ends nothing: it was meant for what was before."""

_JUDGED = 6
"""Readings of each closed spell that are judged, at its end."""

_ORDER = (VerdictOutcome.FAIL, VerdictOutcome.UNCLEAR, VerdictOutcome.PASS)


class Operate:
    """Conducts one `operate` step."""

    def __init__(self, step: OperateStep, judge: JudgeFor) -> None:
        """Begin.

        Args:
            step: what is asked.
            judge: by which the closed state is judged.
        """
        self._step, self._judge = step, judge
        self._begin()

    def _begin(self) -> None:
        self._spells = Spells(self._step.id)
        self._ready = False
        self._count = 0
        self._opened: Change | None = None
        self._times_open: list[int] = []
        self._slack_ns = 0
        self._closed: list[list[Reading]] = []
        """The readings of each closed spell, its first one left out: the contact may just have been closing."""
        self._between: list[Reading] = []
        self._last: Reading | None = None
        self._acted = Instant(0, 0)
        """When it was ready, or changed last."""
        self._puzzled = False

    @property
    def step(self) -> OperateStep:
        """What is conducted."""
        return self._step

    @property
    def limits(self) -> Limits:
        """Those of the closed contact."""
        return self._step.closed

    @property
    def under_way(self) -> bool:
        """Whether the contact is being worked."""
        return self._ready

    @property
    def confirms(self) -> str | None:
        """That the open contact is touched. What ends the counting early is a no: nothing good is confirmed by it."""
        seen_open = self._step.begins == "open" and self._spells.state == "open" and not self._ready
        return f"Both probes are on {self._step.point}." if seen_open else None

    def take(self, reading: Reading, *, touching: bool) -> Iterator[Said]:
        """Follow one reading."""
        self._last = reading
        state = self._state(reading)
        if state is None and reading.value is not None:
            self._between = newest([*self._between, reading])
        else:
            self._between.clear()
        before = self._spells.state
        change = self._spells.take(state, reading)
        if state == "closed" and self._spells.state == "closed":
            if before != "closed":
                self._closed.append([])
            self._closed[-1].append(reading)
        if not self._ready:
            if self._step.begins == "closed" and self._spells.state == "closed":
                yield from self._get_ready(reading.at)
        elif change is not None:
            yield change
            yield from self._changed(change, reading.at)
        elif self._left_open(reading.at):
            text = f"Open for over {self._step.open_at_most.value} s, as with the leads off: counting begins anew."
            self._begin()
            yield Cue("left-open", text, self._step.id, reading.at)
        yield from self._between_states(reading, touching=touching)

    def answer(self, answer: Answer, at: Instant) -> Iterator[Said]:
        """Yes: it is open and the probes are on (`begins: open`), or that was all. No: that was all."""
        if self._ready:
            if at.monotonic_ns - self._acted.monotonic_ns >= _ANSWERED_NS:
                yield self._verdict_of_too_few(at)
        elif self._step.begins == "open" and answer is Answer.CONFIRM:
            last = self._last
            if last is None or at.monotonic_ns - last.at.monotonic_ns > FRESH_NS:
                yield nothing_to_confirm(self._step, at, "no fresh reading.")
            elif self._spells.state != "open" or self._state(last) != "open":
                yield nothing_to_confirm(self._step, at, f"the contact is not open ({self._step.open.text}).")
            else:
                yield from self._get_ready(at)
        else:
            yield nothing_to_confirm(self._step, at, f"{self._step.point} has not been seen {self._step.begins} yet.")

    def start_over(self, at: Instant, why: str) -> Iterator[Said]:
        """Forget the count."""
        told = self._ready
        self._begin()
        if told:
            yield said_to_start_over(self._step, at, why)

    def _state(self, reading: Reading) -> str | None:
        if self._step.closed.accept(reading.value):
            return "closed"
        return "open" if self._step.open.accept(reading.value) else None

    def _get_ready(self, at: Instant) -> Iterator[Cue]:
        self._ready, self._acted = True, at
        self._spells.bounces = 0
        del self._closed[:-1]
        shown = self._shown()
        state = "Open." if self._step.begins == "open" else f"Closed, {shown}." if shown else "Closed."
        yield Cue(
            "operate-ready",
            f"{state} Work {self._step.point} {often(self._step.times)}, a second each way.",
            self._step.id,
            at,
        )

    def _changed(self, change: Change, at: Instant) -> Iterator[Said]:
        self._acted = at
        self._slack_ns = max(self._slack_ns, change.within_ns)
        if change.now == "open":
            self._opened = change
            if self._closed and len(self._closed[-1]) > 1:
                self._closed[-1].pop()  # it opened within this update, which shows part of the value
        elif self._opened is not None:
            self._times_open.append(change.at.monotonic_ns - self._opened.at.monotonic_ns)
        if change.now != self._step.begins:
            return
        self._count += 1
        if self._count < self._step.times:
            yield Cue("click", f"{self._count} of {self._step.times}.", self._step.id, at)
        else:
            yield self._verdict(at)

    def _left_open(self, at: Instant) -> bool:
        if self._step.begins == "open" or self._spells.state != "open" or self._opened is None:
            return False
        most = int(self._step.open_at_most.value * NS_PER_S)
        return at.monotonic_ns - self._opened.at.monotonic_ns > most

    def _between_states(self, reading: Reading, *, touching: bool) -> Iterator[Said]:
        """A value that stands between the states fails; one that lifted leads may show too is only told of."""
        between = self._between
        if len(between) < _BETWEEN_READINGS:
            return
        stood = between[-1].at.monotonic_ns - between[0].at.monotonic_ns
        settled = settle(between, None) if stood >= _BETWEEN_NS else None
        if settled is None:
            return
        if touching and (self._ready or self._step.begins == "closed"):
            yield self._verdict_between(settled[0].measured, reading.at)
        elif not touching and self._ready and stood >= _PUZZLING_NS and not self._puzzled:
            self._puzzled = True
            text = f"{settled[0].measured} is neither closed nor open; lifted leads may show it. Refuse if it stays."
            yield Cue("unsteady", text, self._step.id, reading.at)

    def _verdict(self, at: Instant) -> Verdict:
        windows = self._windows()
        judged = [self._judge(self._step.closed).judge(window) for window in windows]
        worst = min(
            range(len(judged)), key=lambda index: (_ORDER.index(judged[index].outcome), self._room(windows[index]))
        )
        judgement = judged[worst]
        reason = judgement.reason if judgement.outcome is not VerdictOutcome.PASS else ""
        return self._given(judgement, _middle(windows[worst]), f"{reason} {self._told()}".strip(), at)

    def _windows(self) -> list[Sequence[Reading]]:
        """What each closed spell showed at its end."""
        return [spell[-_JUDGED:] for spell in self._closed if spell]

    def _room(self, window: Sequence[Reading]) -> Decimal:
        """How far a spell stayed inside the limits."""
        value = _middle(window).value
        return (self._step.closed.margin(value) if value is not None else None) or Decimal(0)

    def _told(self) -> str:
        """What was seen, what could not be."""
        seen = f"Opened and closed {often(self._count)}."
        if self._times_open:
            seen += f" Shortest open {lasted(min(self._times_open))}, ± {up_to(self._slack_ns)}."
        if self._spells.bounces:
            bounces = f"It bounced {often(self._spells.bounces)}."
        else:
            bounces = f"No bounce seen; none shorter than {up_to(self._slack_ns)} can be."
        return f"{seen} {bounces} Leads taken off for as short would look the same."

    def _verdict_of_too_few(self, at: Instant) -> Verdict:
        told = f"Ended after {self._count} of {self._step.times}: no more was seen."
        return Verdict(
            self._step.id, VerdictOutcome.FAIL, self._shown(), self._limits_text, True, told, at, self._step.source
        )

    def _verdict_between(self, stuck: Measured, at: Instant) -> Verdict:
        step = self._step
        told = f"Stands at {stuck}: neither closed ({step.closed.text}) nor open ({step.open.text})."
        return Verdict(step.id, VerdictOutcome.FAIL, stuck, self._limits_text, False, told, at, step.source)

    def _given(self, judgement: Judgement, measured: Measured, told: str, at: Instant) -> Verdict:
        step, assessment = self._step, judgement.assessment
        return Verdict(
            step.id, judgement.outcome, measured, self._limits_text, False, told, at, step.source, assessment
        )

    @property
    def _limits_text(self) -> str:
        return f"closed {self._step.closed.text}, open {self._step.open.text}"

    def _shown(self) -> Measured | None:
        windows = self._windows()
        return _middle(windows[-1]) if windows else None


def _middle(window: Sequence[Reading]) -> Measured:
    values = sorted(reading.value for reading in window if reading.value is not None)
    return Measured(values[len(values) // 2], window[-1].unit)
