"""One job as a visit: its figures, worked out from its stored events alone. Pure."""

from collections.abc import Iterable
from dataclasses import dataclass

from meterlink.errors import RecordError
from meterlink.history.drops import drops
from meterlink.history.figure import Figure, Meter
from meterlink.history.settling import settling_times, update_interval
from meterlink.history.taken import all_taken
from meterlink.instrument import Instrument
from meterlink.record.codec import from_event
from meterlink.record.entry import Event, Kind
from meterlink.record.store import Job
from meterlink.record.summary import SUMMARY_KINDS, Summary, summarise
from meterlink.replay import kept_with

VISIT_KINDS = (Kind.START, *SUMMARY_KINDS)
"""The kinds of event that `visit_of` looks at."""


@dataclass(frozen=True, slots=True)
class Standing:
    """What chain and seal prove of a job."""

    intact: bool
    sealed: bool
    troubles: tuple[str, ...] = ()
    """What speaks against it, a sentence each."""


@dataclass(frozen=True, slots=True)
class Visit:
    """One visit to the lift."""

    job: Job
    standing: Standing
    summary: Summary
    meters: tuple[Meter, ...]
    """In the order in which they were stated."""
    figures: tuple[Figure, ...]
    trouble: str | None = None
    """Why nothing of it can be compared; None where it can."""


def visit_of(job: Job, events: Iterable[Event], readings: Iterable[Event], standing: Standing) -> Visit:
    """Work out a visit; of a log that cannot be read, that it cannot.

    Args:
        job: its own line.
        events: those of `VISIT_KINDS`, in order.
        readings: some readings in a row, which tell how often the display is updated.
        standing: what is proven of it.
    """
    summary = Summary()
    try:
        kept = list(events)
        summary = summarise(kept)
        start = next((event for event in kept if event.kind is Kind.START), None)
        if start is None:
            raise RecordError(f"job {job.id}: its log has no start")
        procedure = kept_with(job, start).procedure
        stated = [(event.seq, _instrument(event)) for event in kept if event.kind is Kind.INSTRUMENT]
        taken = list(all_taken(job, procedure, summary, stated))
        figures = [each.figure for each in taken]
        figures += drops(procedure, taken)
        figures += settling_times(job, summary, taken, update_interval(readings))
    except (RecordError, KeyError, TypeError, ValueError, ArithmeticError) as error:
        return Visit(job, standing, summary, (), (), str(error))
    meters = tuple(dict.fromkeys(Meter.of(instrument) for _, instrument in stated))
    return Visit(job, standing, summary, meters, tuple(figures))


def _instrument(event: Event) -> Instrument:
    found = from_event(event)
    if not isinstance(found, Instrument):
        raise RecordError(f"event {event.seq} does not say which meter it was")
    return found
