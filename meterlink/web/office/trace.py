"""What a job's meter has read over the last minutes, as a drawing needs it. Pure."""

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field

from meterlink.engine import Engine
from meterlink.outcome import Json
from meterlink.reading import Reading
from meterlink.record.entry import Event, Kind

_LONG_MS = 5 * 60_000
_MOST = 4000
_MOST_SPANS = 60
_NS_PER_MS = 1_000_000

Point = tuple[int, int, float | None, str]
"""Number of the line, milliseconds since the job began, value, unit; no value for a gap, an overload, a blank."""


@dataclass(frozen=True, slots=True)
class Span:
    """The limits of a step, from when it was asked for."""

    begin_ms: int
    point: str
    unit: str
    low: float | None
    high: float | None


@dataclass(slots=True)
class Trace:
    """The last minutes."""

    points: deque[Point] = field(default_factory=lambda: deque(maxlen=_MOST))
    spans: deque[Span] = field(default_factory=lambda: deque(maxlen=_MOST_SPANS))
    verdicts: deque[tuple[int, str, str]] = field(default_factory=lambda: deque(maxlen=_MOST_SPANS))
    """Milliseconds, point, outcome."""

    def take(self, event: Event, reading: Reading | None) -> None:
        """Take the next line."""
        ms = event.at.monotonic_ns // _NS_PER_MS
        if event.kind is Kind.GAP:
            self.points.append((event.seq, ms, None, ""))
        elif reading is not None:
            value = reading.value
            self.points.append((event.seq, ms, None if value is None else float(value), reading.unit))
            while self.points[0][1] < ms - _LONG_MS:
                self.points.popleft()

    def asks(self, engine: Engine, ms: int) -> None:
        """Note the limits that hold from now on, where they are others."""
        limits = None if engine.ended else engine.limits()
        point = "" if engine.ended else engine.step.point
        low = float(limits.low) if limits and limits.low is not None else None
        high = float(limits.high) if limits and limits.high is not None else None
        unit = (limits.unit or "") if limits else ""
        last = self.spans[-1] if self.spans else None
        if last is None or (last.point, last.unit, last.low, last.high) != (point, unit, low, high):
            self.spans.append(Span(ms, point, unit, low, high))

    def judged(self, ms: int, point: str, outcome: str) -> None:
        """Note a verdict."""
        self.verdicts.append((ms, point, outcome))

    def as_json(self) -> Json:
        """The spans and verdicts that the points lie among."""
        first = self.points[0][1] if self.points else 0
        spans = list(self.spans)
        ends = [span.begin_ms for span in spans[1:]]
        kept = [span for span, end in zip(spans, [*ends, None], strict=True) if end is None or end >= first]
        return {
            "spans": [[span.begin_ms, span.point, span.unit, span.low, span.high] for span in kept],
            "verdicts": [[ms, point, outcome] for ms, point, outcome in self.verdicts if ms >= first],
        }


def points_since(points: Sequence[Point], seq: int) -> Sequence[Point]:
    """Return the points after a line."""
    first = len(points)
    while first and points[first - 1][0] > seq:
        first -= 1
    return points[first:]
