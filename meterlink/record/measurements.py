"""A job's readings and verdicts as SenML (RFC 8428), record by record."""

from collections.abc import Iterable, Iterator
from contextlib import suppress
from decimal import Decimal

from meterlink.errors import RecordError
from meterlink.outcome import Json
from meterlink.reading import FAHRENHEIT, NS_PER_S, Instant, Reading, State
from meterlink.record.chain import Line
from meterlink.record.codec import from_event
from meterlink.record.entry import Event, Kind, stored_event
from meterlink.record.store import Job

_READING = Kind.READING.value.encode()
_RATIO, _PERCENT = "/", "%"
"""Of the two units, the registry prefers the ratio (RFC 8428, section 12.1)."""


def senml(job: Job, events: Iterable[Event]) -> Iterator[Json]:
    """Write a log as SenML records.

    The first record carries the base name and the base time, the whole second of the start; times are relative to it.
    A reading without a number has a text (`OL`), a blank display gives nothing, a verdict its outcome and its value.
    """
    base, base_ns = base_of(job), _base_ns(job)
    for event in events:
        if event.kind in (Kind.READING, Kind.VERDICT):
            for record in _reading(event) if event.kind is Kind.READING else _verdict(event):
                yield {**base, **record, "t": (event.at.utc_ns - base_ns) / NS_PER_S}
                base = {}


def base_of(job: Job) -> Json:
    """Return base name and base time, which the first record carries."""
    return {"bn": _base_name(job), "bt": _base_ns(job) // NS_PER_S}


def measured_line(job: Job, line: Line) -> Json:
    """Return one record for a line of a log, whatever it is about; only a reading's has a value."""
    t = (int(line.utc_ns) - _base_ns(job)) / NS_PER_S
    if line.kind == _READING:
        at = Instant(int(line.monotonic_ns), int(line.utc_ns))
        with suppress(
            ValueError, RecordError, RecursionError
        ):  # an altered line has no value; whoever takes it in refuses it
            for record in _reading(stored_event(Kind.READING.value, at, line.body.decode(), line.raw, line.seq)):
                return {**record, "t": t}
    return {"n": f"event/{line.kind.decode()}", "vs": "", "t": t}


def _base_ns(job: Job) -> int:
    return job.started_utc_ns // NS_PER_S * NS_PER_S


def _base_name(job: Job) -> str:
    """Name the device and the job: together they are like no other (RFC 8428, section 4.5.1)."""
    device = f"{job.device[:16]}:" if job.device else ""
    return f"{device}{job.id}/"


def _reading(event: Event) -> Iterator[Json]:
    reading = from_event(event)
    if not isinstance(reading, Reading) or reading.state is State.BLANK:
        return
    name = reading.function.value
    if reading.value is None:
        yield {"n": name, "vs": reading.display}
    elif reading.unit == FAHRENHEIT:  # the registry has no such unit, and a converted number was never shown
        yield {"n": f"{name}-degF", "v": float(reading.value)}
    else:
        yield {"n": name, **_measured(reading.value, reading.unit)}


def _verdict(event: Event) -> Iterator[Json]:
    body = event.body
    name = f"step/{body['step']}"
    yield {"n": f"{name}/verdict", "vs": body["outcome"]}
    value, unit = body["value"], body["unit"]
    if isinstance(value, str) and isinstance(unit, str) and value != "OL":
        yield {"n": f"{name}/value", **_measured(Decimal(value), unit)}


def _measured(value: Decimal, unit: str) -> Json:
    if unit == _PERCENT:
        return {"u": _RATIO, "v": float(value / 100)}
    return {"u": unit, "v": float(value)} if unit else {"v": float(value)}
