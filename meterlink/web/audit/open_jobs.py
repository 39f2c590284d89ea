"""The jobs that an auditor looks at, kept as numbers and marks for as long as they are among the last few."""

import threading
from collections import OrderedDict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from itertools import islice
from typing import TypeVar

from meterlink.errors import MeterlinkError, RecordError
from meterlink.outcome import Json
from meterlink.procedure.parse import parse_procedure
from meterlink.reading import NS_PER_S
from meterlink.record.entry import Event, Kind
from meterlink.record.store import Job
from meterlink.web.audit.details import details
from meterlink.web.audit.marks import Mark, Marks, Wanted
from meterlink.web.audit.records import Records
from meterlink.web.audit.traces import Traces

_KEPT = 4
"""Jobs at a time; one of a million readings takes some 30 MB."""
_MOST_MARKS = 300
_MOST_FRAMES = 40
_BESIDE_READINGS = tuple(kind for kind in Kind if kind is not Kind.READING)
_LOOK_EVERY = 2000
"""Events between two looks whether anybody waits still."""

Item = TypeVar("Item")


class ClosedError(Exception):
    """The pages are being closed: nobody waits for this any more."""


@dataclass(slots=True)
class OpenJob:
    """One job, as far as it has been read."""

    job: Job
    points: dict[str, str]
    """The test points of the steps, by their ids."""
    marks: Marks
    traces: Traces = field(default_factory=Traces)
    read_to: int = 0
    """The number of the last event that was read."""
    lock: threading.Lock = field(default_factory=threading.Lock)

    @property
    def span_ns(self) -> int:
        """How long it lasted, in nanoseconds; at least a second."""
        ends = max((mark.end_ns for mark in self.marks.all), default=0)
        return max(ends, self.traces.last_ns, NS_PER_S)


class OpenJobs:
    """Reads jobs when they are asked for, and what was added to them since. For any number of threads."""

    def __init__(self, records: Records) -> None:
        """Open none."""
        self._records = records
        self._open: OrderedDict[str, OpenJob] = OrderedDict()
        self._lock = threading.Lock()
        self._closed = threading.Event()

    def close(self) -> None:
        """Break off whatever is being read."""
        self._closed.set()

    def watched(self, items: Iterable[Item]) -> Iterator[Item]:
        """Hand on a long sequence until the pages are closed.

        Raises:
            ClosedError: they are.
        """
        for number, item in enumerate(items):
            if number % _LOOK_EVERY == 0:
                self.look()
            yield item

    def look(self) -> None:
        """Raise `ClosedError` if the pages are closed."""
        if self._closed.is_set():
            raise ClosedError

    def of(self, job_id: str) -> OpenJob:
        """Return a job with all that is stored of it by now.

        Raises:
            RecordError: there is no such job, or a line of it cannot be read.
        """
        with self._lock:
            found = self._open.pop(job_id, None) or self._begun(job_id)
            self._open[job_id] = found
            while len(self._open) > _KEPT:
                self._open.popitem(last=False)
        with found.lock:
            self._read_on(found)
        return found

    def head(self, job_id: str) -> Json:
        """Say how large a job is, and what there is to stop at."""
        found = self.of(job_id)
        return {
            "seconds": found.span_ns / NS_PER_S,
            "events": found.read_to,
            "readings": found.traces.count,
            "unreadable": found.traces.unreadable,
            "fails": found.marks.count(Wanted.FAIL),
            "touches": found.marks.count(Wanted.TOUCH),
            "traces": [{"name": trace.name, "unit": trace.unit} for trace in found.traces.traces],
        }

    def window(self, job_id: str, start_s: float, end_s: float, columns: int) -> Json:
        """Return what is to be drawn of a stretch of time: traces thinned, and the weightiest marks.

        Args:
            job_id: of which job.
            start_s: its first moment, in seconds since the job began.
            end_s: its last moment.
            columns: pixels across.
        """
        found = self.of(job_id)
        start_ns, end_ns = round(start_s * NS_PER_S), round(end_s * NS_PER_S)
        end_ns = max(end_ns, start_ns + 1)
        marks, left_out = found.marks.window(start_ns, end_ns, _MOST_MARKS)
        return {
            "from": start_s,
            "to": end_s,
            "traces": found.traces.window(start_ns, end_ns, columns, self.look),
            "marks": [_placed(found, mark) for mark in marks],
            "left_out": left_out,
        }

    def beside(self, job_id: str, number: int | None, at_s: float, wanted: Wanted, *, back: bool) -> Json | None:
        """Return the next mark of a kind, or the one before; None where there is none."""
        found = self.of(job_id)
        mark = found.marks.beside(number, round(at_s * NS_PER_S), wanted, back=back)
        return _placed(found, mark) if mark else None

    def details(self, job_id: str, number: int) -> Json:
        """Return all that the record says of one mark.

        Raises:
            RecordError: the event has no mark.
        """
        found = self.of(job_id)
        mark = found.marks.of(number)
        if mark is None:
            raise RecordError(f"job {job_id} has no event {number} on its timeline")
        event, partner = self._event(job_id, number), self._event(job_id, mark.partner)
        frames = self._frames(found, mark)
        point = found.points.get(mark.step, mark.step) if mark.step else None
        return {**_placed(found, mark), **details(found.job, point, event, partner, frames)} if event else {}

    def _begun(self, job_id: str) -> OpenJob:
        job = self._records.job(job_id)
        try:
            steps = parse_procedure(job.source, f"procedure of job {job_id}").steps
        except MeterlinkError:  # altered: its proof says so, and its readings can be looked at still
            steps = ()
        points = {step.id: step.point for step in steps}
        return OpenJob(job, points, Marks(points))

    def _read_on(self, found: OpenJob) -> None:
        job_id, after = found.job.id, found.read_to
        last = self._records.last_number(job_id)
        if last == after:
            return
        displays = self._records.displays(job_id, after=after)
        beside = self._records.events(job_id, _BESIDE_READINGS, after=after)
        try:
            events = [event for event in self.watched(beside) if event.seq <= last]
            breaks = iter([event for event in events if event.kind is Kind.GAP])
            self._take(found, (each for each in self.watched(displays) if each[0] <= last), breaks)
            found.marks.take(events)
            found.read_to = last
        except ClosedError:
            self._forget(job_id)
            raise
        except (KeyError, TypeError, ValueError) as error:
            self._forget(job_id)
            raise RecordError(f"a line of job {job_id} cannot be read ({error}); its proof says which") from error

    def _take(self, found: OpenJob, displays: Iterator[tuple[int, int, str]], breaks: Iterator[Event]) -> None:
        """Add readings, broken where the link was."""
        following = next(breaks, None)
        while following is not None:
            ahead: list[tuple[int, int, str]] = []
            found.traces.take(_until(displays, following.seq, ahead))
            found.traces.broken(following.at.monotonic_ns)
            found.traces.take(ahead)
            following = next(breaks, None)
        found.traces.take(displays)

    def _forget(self, job_id: str) -> None:
        with self._lock:
            self._open.pop(job_id, None)

    def _event(self, job_id: str, number: int | None) -> Event | None:
        return next(self._records.events(job_id, after=number - 1), None) if number is not None else None

    def _frames(self, found: OpenJob, mark: Mark) -> list[Event]:
        """The readings that a touch or verdict rests on: the last ones before it was judged, or of the whole touch."""
        if mark.kind not in (Kind.TOUCH, Kind.VERDICT) or mark.unit is None:
            return []
        partner = found.marks.of(mark.partner) if mark.partner is not None else None
        verdict = mark if mark.kind is Kind.VERDICT else partner
        touch = mark if mark.kind is Kind.TOUCH else partner
        last = verdict.number if verdict else mark.number
        start_ns = touch.start_ns if touch else 0
        readings = self._records.events(found.job.id, (Kind.READING,), after=max(0, last - 2 * _MOST_FRAMES))
        before = [each for each in islice(readings, 2 * _MOST_FRAMES) if each.seq < last]
        return [each for each in before if each.at.monotonic_ns >= start_ns][-_MOST_FRAMES:]


def _until(
    displays: Iterator[tuple[int, int, str]], number: int, ahead: list[tuple[int, int, str]]
) -> Iterator[tuple[int, int, str]]:
    """Hand on the readings before an event; the one that lies behind it goes to `ahead`."""
    for each in displays:
        if each[0] > number:
            ahead.append(each)
            return
        yield each


def _placed(found: OpenJob, mark: Mark) -> Json:
    """A mark with the trace that it stands on, and the touch around it."""
    trace = found.traces.of(mark.unit, mark.start_ns) if mark.unit else None
    touch = found.marks.of(mark.partner) if mark.kind is Kind.VERDICT and mark.partner is not None else mark
    around = [touch.start_ns / NS_PER_S, touch.end_ns / NS_PER_S] if touch else None
    return {**mark.as_json(), "trace": trace, "around": around}
