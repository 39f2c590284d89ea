"""What a job came to, worked out from its stored events alone."""

from collections.abc import Iterable
from dataclasses import dataclass, field
from enum import StrEnum

from meterlink.outcome import Json, VerdictOutcome
from meterlink.procedure.lint import SEARCH_PREFIX
from meterlink.reading import Instant
from meterlink.record.entry import OUTCOMES, Event, Kind

SUMMARY_KINDS = (*OUTCOMES, Kind.INSTRUMENT, Kind.NOTE)
"""The kinds that `summarise` looks at."""


class JobState(StrEnum):
    """Where a job stands."""

    COMPLETE = "complete"
    """Every step has a verdict or an answer, and no temporary jumper is in."""
    STOPPED = "stopped"
    """A fail, or a step too close to call, ended it before the last step; or a jumper is still in."""
    INTERRUPTED = "interrupted"
    """It has no end yet: it is under way, or it broke off and can be resumed."""


@dataclass(frozen=True, slots=True)
class Judged:
    """One step's verdicts."""

    verdicts: tuple[Event, ...]
    """In order; the last one counts, those before it are superseded and kept."""
    reopened: bool = False
    """Whether not even the last one counts: the step is to be proved again."""

    @property
    def last(self) -> Json:
        """The body of the verdict that counts."""
        return self.verdicts[-1].body

    @property
    def outcome(self) -> VerdictOutcome:
        """The outcome that counts."""
        return VerdictOutcome(str(self.last["outcome"]))

    @property
    def attempts(self) -> int:
        """How many verdicts it took."""
        return len(self.verdicts)

    @property
    def at(self) -> Instant:
        """When the verdict that counts was given."""
        return self.verdicts[-1].at


@dataclass(frozen=True, slots=True)
class Found:
    """A fault that a search has proven."""

    event: Event
    """The finding."""
    mended: bool
    """Whether the technician said that it was mended."""


@dataclass(frozen=True, slots=True)
class Summary:
    """What a job came to."""

    steps: dict[str, Judged] = field(default_factory=dict)
    """By step id, in the order of their first verdicts."""
    touches: tuple[Event, ...] = ()
    meters: tuple[Event, ...] = ()
    """What was stated of the meter, at the start and each time the job was taken up again."""
    found: tuple[Found, ...] = ()
    """The faults that searches have proven, in order."""
    answers: dict[str, Event] = field(default_factory=dict)
    """By the id of the step that asked: its last answer."""
    jumpers: tuple[Event, ...] = ()
    """The entries of the jumper register."""
    notes: tuple[Event, ...] = ()
    """What people have noted."""
    end: Event | None = None
    """How it ended; None for a job without an end, or one taken up again after it."""

    @property
    def state(self) -> JobState:
        """Where the job stands."""
        if self.end is None:
            return JobState.INTERRUPTED
        return JobState.COMPLETE if self.end.body["complete"] else JobState.STOPPED

    @property
    def lost_between(self) -> tuple[str, str] | None:
        """The last live and the first dead test point, where the voltage is lost between two."""
        points = self.end.body["lost_between"] if self.end else None
        return (str(points[0]), str(points[1])) if isinstance(points, list) else None

    @property
    def unjudged_touches(self) -> list[Event]:
        """Touches during which their step got no verdict."""
        return [touch for touch in self.touches if not _searches(touch) and not self._judged_during(touch.body)]

    @property
    def search_touches(self) -> list[Event]:
        """Touches that a search has asked for."""
        return [touch for touch in self.touches if _searches(touch)]

    def count(self, outcome: VerdictOutcome) -> int:
        """How many steps have this outcome as the one that counts."""
        return sum(judged.outcome is outcome and not judged.reopened for judged in self.steps.values())

    @property
    def done(self) -> int:
        """How many steps have come to something."""
        judged = {step for step, judged in self.steps.items() if not judged.reopened}
        return len(judged | set(self.answers))

    @property
    def jumpers_open(self) -> tuple[str, ...]:
        """Where temporary jumpers are in."""
        inside: dict[str, str] = {}
        for event in self.jumpers:
            where = str(event.body["where"])
            if event.body["fitted"]:
                inside[where.casefold()] = where
            else:
                inside.pop(where.casefold(), None)
        return tuple(inside.values())

    def _judged_during(self, touch: Json) -> bool:
        judged = self.steps.get(str(touch["step"]))
        start, end = _seconds(touch["from"]), _seconds(touch["to"])
        return judged is not None and any(start <= _seconds(event.body["t"]) <= end for event in judged.verdicts)


def summarise(events: Iterable[Event]) -> Summary:
    """Work out what a job came to, from its events of `SUMMARY_KINDS`, in order."""
    verdicts: dict[str, list[Event]] = {}
    touches = []
    meters = []
    reopened: set[str] = set()
    answers: dict[str, Event] = {}
    jumpers = []
    notes = []
    found: list[Found] = []
    end = None
    for event in events:
        if event.kind is Kind.VERDICT:
            verdicts.setdefault(str(event.body["step"]), []).append(event)
            reopened.discard(str(event.body["step"]))
        elif event.kind is Kind.REOPENED:
            steps = event.body["steps"]
            reopened.update(map(str, steps) if isinstance(steps, list) else ())
        elif event.kind is Kind.ANSWER:
            answers[str(event.body["step"])] = event
        elif event.kind is Kind.JUMPER:
            jumpers.append(event)
        elif event.kind is Kind.NOTE:
            if event.body.get("about") == "remark":
                notes.append(event)
        elif event.kind is Kind.TOUCH:
            touches.append(event)
        elif event.kind is Kind.INSTRUMENT:
            meters.append(event)
        elif event.kind is Kind.END:
            end = event
        elif event.kind is Kind.FINDING:
            if event.body["sure"]:
                found.append(Found(event, mended=False))
        elif event.kind is not Kind.CUE:
            continue
        elif event.body["code"] == "prove-again" and found:
            found[-1] = Found(found[-1].event, mended=True)
        elif event.body["code"] in ("probe", "look", "ask"):
            end = None  # a stopped job was taken up again: it asks for a step once more
    judged = {step: Judged(tuple(found), step in reopened) for step, found in verdicts.items()}
    return Summary(judged, tuple(touches), tuple(meters), tuple(found), answers, tuple(jumpers), tuple(notes), end)


def _searches(touch: Event) -> bool:
    return str(touch.body["step"]).startswith(SEARCH_PREFIX)


def _seconds(value: object) -> float:
    if not isinstance(value, int | float):
        raise TypeError(f"seconds expected, found {value!r}")
    return value
