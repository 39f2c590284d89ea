"""What goes into the engine and what comes out of it. Every type knows its JSON form, which is a public contract."""

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum

from meterlink.assessment import Assessment
from meterlink.instrument import Instrument
from meterlink.reading import NS_PER_S, Instant, Reading, plain

Json = Mapping[str, object]


class Answer(StrEnum):
    """What the technician can say to a check."""

    CONFIRM = "confirm"
    """Yes: this is seen, or this dead reading is real."""
    REFUSE = "refuse"
    """No: this is not as asked, or that was no real reading."""
    REPEAT = "repeat"
    """Measure the step judged last once more."""
    BACK = "back"
    """Go one step back."""


@dataclass(frozen=True, slots=True)
class Input:
    """An answer of the technician."""

    answer: Answer
    at: Instant


class Break(StrEnum):
    """Why the stream of readings was broken."""

    LINK_LOST = "link-lost"
    LINK_BACK = "link-back"
    """The meter is connected again."""
    SILENT = "silent"
    """The link stands, but the meter sends nothing."""
    HEARD_AGAIN = "heard-again"
    """A silent meter sends again."""
    RESUMED = "resumed"
    """The job was taken up again."""
    INTERRUPTED = "interrupted"
    """The job was broken off."""
    ENDED = "ended"
    """The stream came to its regular end."""


@dataclass(frozen=True, slots=True)
class Gap:
    """The stream of readings was broken; nothing may be spliced across it."""

    at: Instant
    reason: Break


@dataclass(frozen=True, slots=True)
class Jumper:
    """The technician enters that a temporary jumper was fitted, or taken out again."""

    fitted: bool
    where: str
    why: str
    """What it is for; empty where nothing is said."""
    at: Instant


EngineInput = Reading | Input | Gap | Instrument | Jumper


class TouchOutcome(StrEnum):
    """How a touch ended."""

    MATCHED = "matched"
    RETOUCH = "retouch"
    OUT_OF_LIMITS = "out-of-limits"
    UNSTEADY = "unsteady"
    WRONG_FUNCTION = "wrong-function"
    REVERSED = "reversed"
    NOT_EXPECTED = "not-expected"


class VerdictOutcome(StrEnum):
    """What a step came to."""

    PASS = "pass"  # noqa: S105 - a verdict, not a password
    FAIL = "fail"
    UNCLEAR = "unclear"
    """Too close to call, or not to be told from what was measured."""
    NOT_APPLICABLE = "not-applicable"
    """Passed over: its condition does not hold, or another step led past it."""


@dataclass(frozen=True, slots=True)
class Measured:
    """The settled value of a touch: a number, or overload."""

    value: Decimal | None
    """In `unit`, with the display's resolution; None for overload."""
    unit: str

    def as_json(self) -> Json:
        """`value` as displayed but without prefix (`OL` for overload), and `unit`."""
        return {"value": "OL" if self.value is None else plain(self.value), "unit": self.unit}

    def __str__(self) -> str:
        return "OL" if self.value is None else f"{plain(self.value)} {self.unit}"


_NOTHING: Json = {"value": None, "unit": None}


@dataclass(frozen=True, slots=True)
class Touch:
    """The probes were on one place from `start` to `end`."""

    step: str | None
    """The step it was taken for, or None."""
    outcome: TouchOutcome
    measured: Measured | None
    """None where it never settled."""
    start: Instant
    end: Instant

    def as_json(self) -> Json:
        """The `touch` event."""
        measured = self.measured.as_json() if self.measured else _NOTHING
        times = {"from": seconds(self.start), "to": seconds(self.end)}
        return {"event": "touch", "step": self.step, "outcome": self.outcome.value, **measured, **times}


@dataclass(frozen=True, slots=True)
class Verdict:
    """The judgement of one step; a later one for the same step supersedes it, and never removes it."""

    step: str
    outcome: VerdictOutcome
    measured: Measured | None
    """None for a step that the meter does not judge."""
    limits: str | None
    """The limits it was judged by, as written; None for a step without."""
    confirmed: bool
    """Whether the technician confirmed it."""
    reason: str
    """One sentence on why."""
    at: Instant
    limits_source: str | None = None
    """Where the limits come from, as the procedure has it."""
    assessment: Assessment | None = None
    """Uncertainty, rule and probability; None for a step that the meter does not judge."""

    def as_json(self) -> Json:
        """The `verdict` event."""
        measured = self.measured.as_json() if self.measured else _NOTHING
        judged = self.assessment.as_json() if self.assessment else {}
        rest = {"limits": self.limits, "limits_source": self.limits_source, "confirmed": self.confirmed}
        why = {"reason": self.reason, **judged, "t": seconds(self.at)}
        return {"event": "verdict", "step": self.step, "outcome": self.outcome.value, **measured, **rest, **why}


@dataclass(frozen=True, slots=True)
class Cue:
    """What the technician is told."""

    code: str
    """Stable name of the message, for sounds and tests: `probe`, `pass`, `confirm-dead`, `wrong-function` ..."""
    text: str
    step: str | None
    at: Instant

    def as_json(self) -> Json:
        """The `cue` event."""
        return {"event": "cue", "code": self.code, "text": self.text, "step": self.step, "t": seconds(self.at)}


@dataclass(frozen=True, slots=True)
class End:
    """The check is over: every step judged, or stopped by a fail."""

    complete: bool
    """Whether every step has a verdict or an answer, and no temporary jumper is in."""
    passed: int
    failed: int
    unclear: int
    not_judged: tuple[str, ...]
    """Ids of the steps without a verdict."""
    lost_between: tuple[str, str] | None
    """The last live and the first dead test point, where the voltage is lost between two; else None."""
    at: Instant
    not_applicable: int = 0
    """How many steps were passed over."""
    jumpers_open: tuple[str, ...] = ()
    """Where temporary jumpers are still in."""

    def as_json(self) -> Json:
        """The `end` event; the shell adds the `job`. What most jobs have none of stands only where there is some."""
        passed_over = {"not_applicable": self.not_applicable} if self.not_applicable else {}
        jumpers = {"jumpers_open": list(self.jumpers_open)} if self.jumpers_open else {}
        return {
            "event": "end",
            "complete": self.complete,
            "passed": self.passed,
            "failed": self.failed,
            "unclear": self.unclear,
            "not_judged": list(self.not_judged),
            "lost_between": list(self.lost_between) if self.lost_between else None,
            **passed_over,
            **jumpers,
            "t": seconds(self.at),
        }


@dataclass(frozen=True, slots=True)
class Found:
    """Where a search for a fault stands after a touch, an answer, or at its beginning."""

    body: Json
    """What `meterlink.circuit.page.finding_json` writes, and `step`: what was asked."""
    at: Instant

    def as_json(self) -> Json:
        """The `finding` event."""
        return {"event": "finding", **self.body, "t": seconds(self.at)}


@dataclass(frozen=True, slots=True)
class Change:
    """What a point reads went over from one state to another: a contact worked by hand, a lock that opens."""

    step: str
    was: str
    now: str
    """`closed` or `open` of a contact; `from`, `to` or `out` of an interval's limits."""
    measured: Measured
    """What the display showed when it had changed."""
    within_ns: int
    """Nanoseconds between the last reading before it and the first after it: it happened somewhere between."""
    bounces: int
    """Short changes back and forth that were seen since the change before."""
    at: Instant
    """The middle between those two readings."""

    def as_json(self) -> Json:
        """The `change` event."""
        states = {"from": self.was, "to": self.now, **self.measured.as_json()}
        times = {"within": self.within_ns / NS_PER_S, "bounces": self.bounces, "t": seconds(self.at)}
        return {"event": "change", "step": self.step, **states, **times}


@dataclass(frozen=True, slots=True)
class Answered:
    """A question about the lift was answered; what follows depends on it."""

    step: str
    yes: bool
    at: Instant

    def as_json(self) -> Json:
        """The `answer` event."""
        answer = "yes" if self.yes else "no"
        return {"event": "answer", "step": self.step, "answer": answer, "t": seconds(self.at)}


@dataclass(frozen=True, slots=True)
class Register:
    """An entry of the jumper register."""

    fitted: bool
    where: str
    why: str
    step: str | None
    """The step that it was entered by; None for the technician's own entry."""
    at: Instant

    def as_json(self) -> Json:
        """The `jumper` event."""
        entry = {"where": self.where, "why": self.why, "fitted": self.fitted, "step": self.step}
        return {"event": "jumper", **entry, "t": seconds(self.at)}


@dataclass(frozen=True, slots=True)
class Reopened:
    """The verdicts of these steps no longer count: they are to be proved again."""

    steps: tuple[str, ...]
    reason: str
    at: Instant

    def as_json(self) -> Json:
        """The `reopened` event."""
        return {"event": "reopened", "steps": list(self.steps), "reason": self.reason, "t": seconds(self.at)}


Outcome = Touch | Verdict | Cue | Found | Change | Answered | Register | Reopened | End


def seconds(at: Instant) -> float:
    """Seconds since the job started, as JSON shows them."""
    return at.monotonic_ns / NS_PER_S
