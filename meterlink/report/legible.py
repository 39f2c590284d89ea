"""What of a job's log can be read for a report, whatever was done to it. Pure.

A report must come of every job, altered ones above all. So nothing is taken as it stands: what was altered, or is not
in the form that Steadypoint writes, is left out and counted.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace
from typing import Annotated, Any, NotRequired

from pydantic import Field, TypeAdapter, ValidationError
from typing_extensions import TypedDict

from meterlink.instrument import Calibration
from meterlink.outcome import Break, TouchOutcome, VerdictOutcome
from meterlink.reading import Instant
from meterlink.record.chain import Line
from meterlink.record.entry import Event, Kind, stored_event

_FURTHEST = 2**63
"""Times of the record are whole numbers of 64 bits."""

_Seconds = Annotated[float, Field(strict=True, allow_inf_nan=False, ge=-1e10, le=1e10)]
_Value = Annotated[str, Field(pattern=r"^(OL|-?[0-9]{1,40}(\.[0-9]{1,40})?)$")]
_Uncertainty = Annotated[float, Field(strict=True, allow_inf_nan=False, ge=0)]
_Share = Annotated[float, Field(strict=True, ge=0, le=1)]
_Yes = Annotated[bool, Field(strict=True)]

_Touch = TypedDict(
    "_Touch",
    {
        "step": str | None,
        "outcome": TouchOutcome,
        "value": _Value | None,
        "unit": str | None,
        "from": _Seconds,
        "to": _Seconds,
    },
)


class _Start(TypedDict):
    acknowledged: list[str]


class _Instrument(TypedDict):
    instrument: str | None
    identity: str | None
    sheet: str
    cautious_default: _Yes
    certificate: str | None
    calibrated: str | None
    due: str | None
    calibration: Calibration
    temperature: str | None


class _Verdict(TypedDict):
    step: str
    outcome: VerdictOutcome
    value: _Value | None
    unit: str | None
    limits: str | None
    reason: str
    t: _Seconds
    limits_source: NotRequired[str | None]
    rule: NotRequired[str]
    expanded_uncertainty: NotRequired[_Uncertainty | None]
    coverage_factor: NotRequired[_Uncertainty]
    probability: NotRequired[_Share | None]
    advice: NotRequired[str | None]


class _Cue(TypedDict):
    code: str
    text: str
    step: str | None


class _ProofTouch(TypedDict):
    point: str
    reference: str | None
    value: str | None
    unit: str | None


class _Finding(TypedDict):
    sure: _Yes
    answer: str | None
    proof: list[_ProofTouch] | None


class _Answer(TypedDict):
    step: str
    answer: str


class _Jumper(TypedDict):
    where: str
    why: str
    fitted: _Yes
    step: str | None


class _Reopened(TypedDict):
    steps: list[str]
    reason: str


class _End(TypedDict):
    complete: _Yes
    lost_between: Annotated[list[str], Field(min_length=2, max_length=2)] | None


class _Photo(TypedDict):
    name: str
    media_type: str
    size: int
    sha256: str


class _Note(TypedDict):
    about: str
    text: str
    by: NotRequired[str]
    photo: NotRequired[_Photo | None]


class _Gap(TypedDict):
    reason: Break


class _Display(TypedDict):
    display: Annotated[str, Field(pattern=r"^(-?OL|-?[0-9]{0,40}\.?[0-9]{0,40})$")]
    unit: str
    scale: Annotated[int, Field(ge=-40, le=40)]


_FORMS: dict[Kind, TypeAdapter[Any]] = {
    kind: TypeAdapter(form)
    for kind, form in {
        Kind.START: _Start,
        Kind.INSTRUMENT: _Instrument,
        Kind.READING: _Display,
        Kind.TOUCH: _Touch,
        Kind.VERDICT: _Verdict,
        Kind.CUE: _Cue,
        Kind.FINDING: _Finding,
        Kind.ANSWER: _Answer,
        Kind.JUMPER: _Jumper,
        Kind.REOPENED: _Reopened,
        Kind.END: _End,
        Kind.NOTE: _Note,
        Kind.GAP: _Gap,
    }.items()
}


@dataclass(slots=True)
class Log:
    """A job's log as found."""

    lines: Iterable[Line | None]
    chained: bool
    """Whether its lines carry hashes."""
    left_out: list[int] = field(default_factory=list)
    """The numbers of the lines that were left out so far."""

    def events(self) -> Iterator[Event]:
        """Yield what can be read, in order."""
        expected = 0
        for line in self.lines:
            expected = max(expected + 1, line.seq if line else 0)
            event = _event(line) if line and (line.fits or not self.chained) else None
            if event is None:
                self.left_out.append(expected)
            else:
                yield event


def _event(line: Line) -> Event | None:
    try:
        at = Instant(int(line.monotonic_ns), int(line.utc_ns))
        if max(abs(at.monotonic_ns), abs(at.utc_ns)) >= _FURTHEST:
            return None
        event = stored_event(line.kind.decode(), at, line.body.decode(), line.raw, line.seq)
        form = _FORMS.get(event.kind)
        return event if form is None else replace(event, body={**event.body, **form.validate_python(event.body)})
    except (KeyError, TypeError, ValueError, RecursionError, ValidationError):
        return None
