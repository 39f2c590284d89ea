"""The readings of a job as numbers in order of time, one trace a function: what a window of them needs. Pure.

A million readings take 24 MB so, and a window of them some ten milliseconds, since nothing but numbers is looked at.
"""

import json
import math
from array import array
from bisect import bisect_right
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field

from meterlink.outcome import Json
from meterlink.phrases import FUNCTION_NAMES
from meterlink.reading import NS_PER_S, Function
from meterlink.thin import one_a_column, thinned

_MOST_BODIES = 100_000
"""Lines that are told apart at a time: a display shows the same again and again."""


def _whole() -> "array[int]":
    return array("q")


def _real() -> "array[float]":
    return array("d")


@dataclass(slots=True)
class Trace:
    """The readings of one function in one unit."""

    function: str
    unit: str
    times: "array[int]" = field(default_factory=_whole)
    """Of readings with a number, in nanoseconds since the job began."""
    values: "array[float]" = field(default_factory=_real)
    """In `unit`."""
    numbers: "array[int]" = field(default_factory=_whole)
    """Of the events."""
    over: "array[int]" = field(default_factory=_whole)
    """When the display showed OL."""
    holes: "array[int]" = field(default_factory=_whole)
    """When it showed no number, or another function; no line runs across."""

    @property
    def name(self) -> str:
        """As people call it: `DC volts`."""
        try:
            return FUNCTION_NAMES[Function(self.function)]
        except (ValueError, KeyError):
            return self.function


class Traces:
    """All readings of a job."""

    def __init__(self) -> None:
        self.traces: list[Trace] = []
        """In the order in which they first appear."""
        self.count = 0
        """How many readings there are, with a number or without."""
        self.unreadable = 0
        """Lines that are no reading any more."""
        self.last_number = 0
        """Of the newest event."""
        self.last_ns = 0
        self._by_key: dict[tuple[str, str], Trace] = {}
        self._known: dict[str, tuple[Trace, float | None] | None] = {}
        self._current: Trace | None = None

    def take(self, readings: Iterable[tuple[int, int, str]]) -> None:
        """Add readings: each the event's number, its monotonic time in nanoseconds, and its body as stored."""
        for number, at_ns, body in readings:
            if body not in self._known:
                if len(self._known) >= _MOST_BODIES:
                    self._known.clear()
                self._known[body] = self._shown(body)
            self.last_number, self.last_ns = number, max(at_ns, self.last_ns)
            self.count += 1
            found = self._known[body]
            if found is None:
                self.unreadable += 1
                self.broken(self.last_ns)
                continue
            trace, value = found
            if self._current is not trace:
                self.broken(self.last_ns)
                self._current = trace
            if value is None:
                trace.holes.append(self.last_ns)
            elif math.isinf(value):
                trace.holes.append(self.last_ns)
                trace.over.append(self.last_ns)
            else:
                trace.times.append(self.last_ns)
                trace.values.append(value)
                trace.numbers.append(number)

    def broken(self, at_ns: int) -> None:
        """Note that no line runs across this time."""
        if self._current is not None:
            self._current.holes.append(at_ns)

    def window(self, start_ns: int, end_ns: int, columns: int, stop: Callable[[], None] = lambda: None) -> list[Json]:
        """Return what is to be drawn of each trace.

        Args:
            start_ns: the first time of the window, in nanoseconds since the job began.
            end_ns: the last time of it.
            columns: pixels across.
            stop: called between traces; raises where nobody waits any more.
        """
        drawn = []
        for trace in self.traces:
            stop()
            drawn.append(_drawn(trace, start_ns, end_ns, columns))
        return drawn

    def of(self, unit: str, at_ns: int) -> int | None:
        """Which trace a touch in this unit at this time is on; None where there is none in that unit."""
        fitting = [index for index, trace in enumerate(self.traces) if trace.unit == unit]
        return min(fitting, key=lambda index: _distance(self.traces[index], at_ns), default=None)

    def _shown(self, body: str) -> tuple[Trace, float | None] | None:
        """Read one line; None for one that is no reading; the value None for a blank display, infinite for OL."""
        try:
            read = json.loads(body)
            key = str(read["function"]), str(read["unit"])
            display = str(read["display"])
            value = {"OL": math.inf, "-OL": -math.inf, "": None}.get(display, ...)
            number = float(f"{display}e{int(read['scale'])}") if value is ... else value
        except (ValueError, TypeError, KeyError, OverflowError):
            return None
        if key not in self._by_key:
            self._by_key[key] = Trace(*key)
            self.traces.append(self._by_key[key])
        return self._by_key[key], number


def _drawn(trace: Trace, start_ns: int, end_ns: int, columns: int) -> Json:
    kept = thinned(trace.times, trace.values, start_ns, end_ns, columns)
    pieces: list[list[int]] = []
    holes_before = -1
    for index in kept:
        holes = bisect_right(trace.holes, trace.times[index])
        if holes != holes_before:
            pieces.append([])
        pieces[-1].append(index)
        holes_before = holes
    x: list[float | None] = []
    y: list[float | None] = []
    for piece in pieces:
        x += [*(_seconds(trace.times[index]) for index in piece), None]
        y += [*(trace.values[index] for index in piece), None]
    alone = [piece[0] for piece in pieces if len(piece) == 1]
    dots = {"x": [_seconds(trace.times[index]) for index in alone], "y": [trace.values[index] for index in alone]}
    over = one_a_column(trace.over, start_ns, end_ns, columns)
    return {
        "name": trace.name,
        "unit": trace.unit,
        "x": x[:-1],
        "y": y[:-1],
        "alone": dots,
        "over": [_seconds(at) for at in over],
    }


def _distance(trace: Trace, at_ns: int) -> int:
    """How far from that time a trace's nearest reading at or before it is, in nanoseconds."""
    index = bisect_right(trace.times, at_ns) - 1
    over = bisect_right(trace.over, at_ns) - 1
    before = [times[at] for times, at in ((trace.times, index), (trace.over, over)) if at >= 0]
    return at_ns - max(before) if before else 2**62


def _seconds(at_ns: int) -> float:
    return round(at_ns / NS_PER_S, 6)
