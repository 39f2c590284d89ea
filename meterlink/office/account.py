"""What a job's log has told so far, line by line, without the single readings: what a crew's card is made of. Pure.

A line comes from a crew's device. Its chain holds, but what stands in it may be anything: nothing here trusts a type,
and every text is cut to a length.
"""

from collections import deque
from dataclasses import dataclass, field

from meterlink.outcome import Json, VerdictOutcome
from meterlink.procedure.lint import SEARCH_PREFIX
from meterlink.record.entry import Event, Kind

LONGEST = 300
"""Characters of any text that is taken over."""
_RECENT = 12
_MOST_STEPS = 2000
_ASKS = frozenset({"probe", "look", "ask"})
_PROGRESS = frozenset(
    {Kind.START, Kind.VERDICT, Kind.CHANGE, Kind.ANSWER, Kind.FINDING, Kind.JUMPER, Kind.INPUT, Kind.TOUCH}
)
_TROUBLE = {"link-lost": "link-lost", "silent": "silent", "interrupted": "interrupted", "ended": "interrupted"}
_OUTCOMES = frozenset(VerdictOutcome)


@dataclass(frozen=True, slots=True)
class Told:
    """One verdict, as its line says."""

    seq: int
    step: str
    outcome: str
    value: str
    """With its unit; empty for a step without one."""
    limits: str
    reason: str
    utc_ns: int


@dataclass(frozen=True, slots=True)
class Remark:
    """One note of a person, or a word from the office."""

    seq: int
    text: str
    by: str
    utc_ns: int
    photo: str | None = None
    """The SHA-256 of its photo."""
    note: str | None = None
    """The id of the office's note that was heard."""


@dataclass(slots=True)
class Account:
    """What is known of one job by its log up to `seq`; times by the crew's clock."""

    seq: int = 0
    step: str | None = None
    """The step that is asked for."""
    ask: str = ""
    """What was asked, in words."""
    code: str = ""
    """How: `probe`, `look` or `ask`."""
    asked_utc_ns: int = 0
    progress_utc_ns: int = 0
    """When the job last got on: a touch, a verdict, an answer."""
    point: str = ""
    """Where a search wants the probe next."""
    said: str = ""
    said_code: str = ""
    verdicts: dict[str, Told] = field(default_factory=dict)
    """By step, the one that counts."""
    recent: deque[Told] = field(default_factory=lambda: deque(maxlen=_RECENT))
    answers: set[str] = field(default_factory=set)
    trouble: str | None = None
    """Why nothing comes from the meter: `link-lost`, `silent`, `interrupted`; None while something may come."""
    trouble_utc_ns: int = 0
    calibration: str = ""
    due: str = ""
    instrument: str = ""
    searching: bool = False
    found: str = ""
    """What a search has proven."""
    complete: bool | None = None
    """Whether it ended with every step judged; None while it has no end."""
    ended_utc_ns: int = 0
    lost_between: tuple[str, str] | None = None
    remarks: deque[Remark] = field(default_factory=lambda: deque(maxlen=_RECENT))

    def take(self, event: Event) -> None:
        """Take the next line; lines before are skipped."""
        if event.seq <= self.seq:
            return
        self.seq = event.seq
        if event.kind in _PROGRESS:
            self.progress_utc_ns = event.at.utc_ns
        match event.kind:
            case Kind.VERDICT:
                self._verdict(event)
            case Kind.CUE:
                self._cue(event)
            case Kind.ANSWER if len(self.answers) < _MOST_STEPS:
                self.answers.add(text_of(event.body, "step"))
            case Kind.REOPENED:
                for step in _texts(event.body.get("steps")):
                    self.verdicts.pop(step, None)
            case Kind.GAP:
                self.trouble = _TROUBLE.get(text_of(event.body, "reason"))
                self.trouble_utc_ns = event.at.utc_ns
            case Kind.INSTRUMENT:  # stated whenever a job is begun or taken up again
                self.trouble = None
                self.calibration, self.due = text_of(event.body, "calibration"), text_of(event.body, "due")
                self.instrument = text_of(event.body, "instrument") or text_of(event.body, "identity")
            case Kind.FINDING:
                asked = event.body.get("next")
                self.searching = True
                self.point = text_of(asked, "point") if isinstance(asked, dict) else ""
                self.found = text_of(event.body, "answer") if event.body.get("sure") is True else ""
            case Kind.NOTE:
                self._note(event)
            case Kind.END:
                self._end(event)

    def _verdict(self, event: Event) -> None:
        body = event.body
        step, outcome = text_of(body, "step"), text_of(body, "outcome")
        if outcome not in _OUTCOMES or (step not in self.verdicts and len(self.verdicts) >= _MOST_STEPS):
            return
        value = f"{text_of(body, 'value')} {text_of(body, 'unit')}".strip()
        told = Told(event.seq, step, outcome, value, text_of(body, "limits"), text_of(body, "reason"), event.at.utc_ns)
        self.verdicts[step] = told
        self.recent.append(told)

    def _cue(self, event: Event) -> None:
        code, text = text_of(event.body, "code"), text_of(event.body, "text")
        self.said, self.said_code = text, code
        if code not in _ASKS:
            return
        step = text_of(event.body, "step")
        if step != self.step or self.complete is not None:
            self.asked_utc_ns = event.at.utc_ns
            self.progress_utc_ns = event.at.utc_ns
        self.step, self.ask, self.code = step, text, code
        self.complete, self.ended_utc_ns, self.lost_between = None, 0, None
        self.searching = step.startswith(SEARCH_PREFIX)
        if not self.searching:
            self.point = self.found = ""

    def _note(self, event: Event) -> None:
        if event.body.get("about") != "remark":
            return
        photo = event.body.get("photo")
        sha256 = text_of(photo, "sha256") if isinstance(photo, dict) else None
        note = text_of(event.body, "note") or None
        by, text = text_of(event.body, "by"), text_of(event.body, "text")
        self.remarks.append(Remark(event.seq, text, by, event.at.utc_ns, sha256 or None, note))

    def _end(self, event: Event) -> None:
        self.complete, self.ended_utc_ns = event.body.get("complete") is True, event.at.utc_ns
        lost = _texts(event.body.get("lost_between"))
        self.lost_between = (lost[0], lost[1]) if len(lost) == 2 else None

    @property
    def newest(self) -> Told | None:
        """The verdict that was given last and still counts."""
        return max(self.verdicts.values(), key=lambda told: told.seq, default=None)

    @property
    def counts(self) -> dict[str, int]:
        """How many steps have which outcome."""
        outcomes = [told.outcome for told in self.verdicts.values()]
        return {each.value: outcomes.count(each.value) for each in VerdictOutcome}

    @property
    def done(self) -> int:
        """How many steps have come to something."""
        return len(self.verdicts.keys() | self.answers)


def text_of(body: Json, name: str) -> str:
    """Return a text of a body, cut to a length; a number in words; empty for anything else."""
    value = body.get(name)
    if isinstance(value, str):
        return value[:LONGEST]
    return str(value) if isinstance(value, int | float) else ""


def _texts(value: object) -> list[str]:
    return [each[:LONGEST] for each in value if isinstance(each, str)] if isinstance(value, list) else []
