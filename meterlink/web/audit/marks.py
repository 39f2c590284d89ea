"""What stands on a job's timeline beside its readings: touches, verdicts, cues, notes, breaks, searches. Pure."""

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal, InvalidOperation
from enum import StrEnum
from operator import attrgetter
from typing import Any

from meterlink.limits import parse_limits
from meterlink.outcome import Json, VerdictOutcome
from meterlink.procedure.lint import SEARCH_PREFIX
from meterlink.reading import NS_PER_S
from meterlink.record.entry import Event, Kind
from meterlink.record.words import measured

_BREAKS = {
    "link-lost": "The link to the meter was lost",
    "link-back": "The link to the meter came back",
    "silent": "The meter sent nothing",
    "heard-again": "The meter sent again",
    "resumed": "The job was taken up again",
    "interrupted": "The job was broken off",
    "ended": "The stream of readings ended",
}
_TOUCHES = {
    "retouch": "touched again",
    "out-of-limits": "out of limits",
    "unsteady": "unsteady",
    "wrong-function": "wrong function",
    "reversed": "leads reversed",
    "not-expected": "not expected then",
}
_BAD = (VerdictOutcome.FAIL.value, VerdictOutcome.UNCLEAR.value)
_RARE = (Kind.GAP, Kind.FINDING, Kind.END, Kind.NOTE, Kind.JUMPER)


class Wanted(StrEnum):
    """What one goes on to."""

    FAIL = "fail"
    """Verdicts that are no pass: fail, and too close to call."""
    TOUCH = "touch"
    """Touches, and verdicts without one."""
    ANY = "any"
    """Everything."""


@dataclass(frozen=True, slots=True)
class Mark:
    """One thing on the timeline."""

    number: int
    """Of its event."""
    kind: Kind
    start_ns: int
    end_ns: int
    """Where it has a length; else the same."""
    text: str
    step: str | None = None
    outcome: str | None = None
    """Of a verdict, or of a touch; of a touch during which a verdict was given, the verdict's."""
    value: float | None = None
    unit: str | None = None
    low: float | None = None
    high: float | None = None
    """Limits, where they have numbers."""
    partner: int | None = None
    """The number of a touch's last verdict, or of a verdict's touch."""

    @property
    def rank(self) -> int:
        """How soon it gives way where there is not room for all; 0 never."""
        if self.kind is Kind.VERDICT:
            return 0 if self.outcome in _BAD else 2
        return {Kind.GAP: 1, Kind.FINDING: 1, Kind.END: 1, Kind.NOTE: 1, Kind.JUMPER: 1, Kind.TOUCH: 2}.get(
            self.kind, 3
        )

    def fits(self, wanted: Wanted) -> bool:
        """Tell whether one stops here on the way to those."""
        if wanted is Wanted.FAIL:
            return self.kind is Kind.VERDICT and self.outcome in _BAD
        return wanted is Wanted.ANY or self.kind is Kind.TOUCH or (self.kind is Kind.VERDICT and self.partner is None)

    def as_json(self) -> Json:
        """As a page takes it; times in seconds since the job began."""
        return {
            "number": self.number,
            "kind": self.kind.value,
            "from": self.start_ns / NS_PER_S,
            "to": self.end_ns / NS_PER_S,
            "text": self.text,
            "step": self.step,
            "outcome": self.outcome,
            "value": self.value,
            "unit": self.unit,
            "low": self.low,
            "high": self.high,
        }


class Marks:
    """All of them, in order of time."""

    def __init__(self, points: Mapping[str, str]) -> None:
        """Begin with none; `points` are the test points of the steps by their ids."""
        self.all: list[Mark] = []
        self._points = points
        self._starts: list[int] = []
        self._longest_ns = 0
        self._asked: str | None = None
        """The point that a search asked for last: its steps are in no procedure."""
        self._touch: Mark | None = None
        self._verdict: Mark | None = None
        """The newest of each."""

    def take(self, events: Iterable[Event]) -> None:
        """Add what these events, which are no readings, put on the timeline."""
        for event in events:
            self.all.append(self._mark(event))
            self._join(self.all[-1])
        self.all.sort(key=attrgetter("start_ns", "number"))
        self._starts = [mark.start_ns for mark in self.all]
        self._longest_ns = max((mark.end_ns - mark.start_ns for mark in self.all), default=0)

    def window(self, start_ns: int, end_ns: int, most: int) -> tuple[list[Mark], int]:
        """Return the marks of a window in order, and how many are left out: the lightest give way, evenly.

        Args:
            start_ns: the first time of the window, in nanoseconds since the job began.
            end_ns: the last time of it.
            most: so many at most.
        """
        first = bisect_left(self._starts, start_ns - self._longest_ns)
        found = [mark for mark in self.all[first : bisect_right(self._starts, end_ns)] if mark.end_ns >= start_ns]
        if len(found) <= most:
            return found, 0
        kept: list[Mark] = []
        for rank in range(4):
            alike = [mark for mark in found if mark.rank == rank]
            room = min(most - len(kept), len(alike))
            kept += [alike[at * len(alike) // room] for at in range(room)]
        return sorted(kept, key=attrgetter("start_ns", "number")), len(found) - most

    def of(self, number: int) -> Mark | None:
        """Return the mark of an event; None for one that has none."""
        return next((mark for mark in self.all if mark.number == number), None)

    def beside(self, number: int | None, at_ns: int, wanted: Wanted, *, back: bool) -> Mark | None:
        """Return the next mark of a kind, or the one before; None where there is none.

        Args:
            number: the event to go on from; None: from the time.
            at_ns: a time in nanoseconds since the job began.
            wanted: where to stop.
            back: whether to look before it.
        """
        here = next((at for at, mark in enumerate(self.all) if mark.number == number), None)
        if here is None:
            here = bisect_left(self._starts, at_ns)
            ways: Sequence[Mark] = self.all[:here][::-1] if back else self.all[here:]
        else:
            ways = self.all[:here][::-1] if back else self.all[here + 1 :]
        return next((mark for mark in ways if mark.fits(wanted)), None)

    def count(self, wanted: Wanted) -> int:
        """How many there are to stop at."""
        return sum(mark.fits(wanted) for mark in self.all)

    def _mark(self, event: Event) -> Mark:
        body, at = event.body, event.at.monotonic_ns
        step = _text(body.get("step"))
        mark = Mark(event.seq, event.kind, at, at, self._said(event), step)
        if event.kind is Kind.TOUCH:
            start, end = _ns(body["from"]), _ns(body["to"])
            value, unit = _number(body["value"]), _text(body["unit"])
            return replace(mark, start_ns=start, end_ns=end, outcome=str(body["outcome"]), value=value, unit=unit)
        if event.kind is Kind.VERDICT:
            low, high = _limits(body["limits"])
            value, unit = _number(body["value"]), _text(body["unit"])
            return replace(mark, outcome=str(body["outcome"]), value=value, unit=unit, low=low, high=high)
        return mark

    def _join(self, mark: Mark) -> None:
        """Join a touch and the verdict that its step was given while it lasted, whichever the record has first."""
        if mark.kind is Kind.TOUCH:
            self._touch = mark
        elif mark.kind is Kind.VERDICT:
            self._verdict = mark
        else:
            return
        touch, verdict = self._touch, self._verdict
        if touch is None or verdict is None or touch.step != verdict.step:
            return
        if not touch.start_ns <= verdict.start_ns <= touch.end_ns:
            return
        judged = {"outcome": verdict.outcome, "low": verdict.low, "high": verdict.high, "partner": verdict.number}
        self._change(touch.number, **judged)
        self._change(verdict.number, partner=touch.number)

    def _change(self, number: int, **changes: Any) -> None:
        at = next(at for at in range(len(self.all) - 1, -1, -1) if self.all[at].number == number)
        self.all[at] = replace(self.all[at], **changes)

    def _point(self, body: Json) -> str:
        step = _text(body.get("step"))
        if step is not None and step.startswith(SEARCH_PREFIX) and self._asked:
            return f"{self._asked}, asked by the search"
        return self._points.get(step, step) if step is not None else "no step"

    def _said(self, event: Event) -> str:
        """Say in a few words what it is."""
        body = event.body
        match event.kind:
            case Kind.START:
                return "The cautions were acknowledged; the check began"
            case Kind.INSTRUMENT:
                return f"Meter: {body['instrument'] or 'not registered'}, accuracy sheet {body['sheet']}"
            case Kind.INPUT if body["input"] == "jumper":
                return f"Jumper entered by hand: {'fitted' if body['fitted'] else 'taken out'} at {body['where']}"
            case Kind.INPUT:
                return f"Answer: {body['input']}"
            case Kind.GAP:
                return _BREAKS.get(str(body["reason"]), str(body["reason"]))
            case Kind.TOUCH:
                how = _TOUCHES.get(str(body["outcome"]))
                return ", ".join(filter(None, (_joined(self._point(body), measured(body) or "never still"), how)))
            case Kind.VERDICT:
                return _joined(self._point(body), measured(body))
            case Kind.FINDING:
                following = body["next"]
                self._asked = str(following["point"]) if isinstance(following, dict) else None
                then = f"; next {self._asked}" if self._asked else ""
                return f"Search: found {body['answer']}" if body["sure"] else f"Search: not sure yet{then}"
            case Kind.CHANGE:
                return f"{self._point(body)}: {body['from']} to {body['to']}"
            case Kind.ANSWER:
                return f"{self._point(body)}: answered {body['answer']}"
            case Kind.JUMPER:
                return f"Jumper {'fitted' if body['fitted'] else 'taken out'}: {body['where']}"
            case Kind.REOPENED:
                return f"To be proved again: {body['reason']}"
            case Kind.END:
                return f"End: {body['passed']} passed, {body['failed']} failed, {body['unclear']} unclear"
            case _:
                return str(body.get("text", ""))


def _joined(point: str, value: str) -> str:
    return f"{point}: {value}" if value else point


def _limits(written: object) -> tuple[float | None, float | None]:
    """Limits as numbers; none where they have none, or refer to another reading."""
    try:
        limits = parse_limits(str(written))
    except ValueError:
        return None, None
    if limits.relative_to is not None or limits.share:
        return None, None
    return _float(limits.low), _float(limits.high)


def _number(value: object) -> float | None:
    try:
        return None if value in (None, "OL") else _float(Decimal(str(value)))
    except InvalidOperation:
        return None


def _float(value: Decimal | None) -> float | None:
    return float(value) if value is not None and value.is_finite() else None


def _ns(seconds: object) -> int:
    return round(float(str(seconds)) * NS_PER_S)


def _text(value: object) -> str | None:
    return None if value is None else str(value)
