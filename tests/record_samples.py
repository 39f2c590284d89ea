"""A small invented job, and a store to put it in."""

from collections.abc import Sequence
from decimal import Decimal

from meterlink.outcome import Cue, End, Measured, Touch, TouchOutcome, Verdict, VerdictOutcome
from meterlink.procedure.parse import parse_procedure
from meterlink.reading import NS_PER_S, Flag, Function, Instant, Reading
from meterlink.record.entry import Entry
from meterlink.record.store import Store

STARTED_UTC_NS = 1_795_598_400 * NS_PER_S + 5  # 2026-11-25T09:20:00.000000005Z

SOURCE = """\
procedure: two-points
title: Two points of an invented lift
revision: 7
cautions:
  - Prove dead before you touch.
steps:
  - id: breaker
    kind: look
    point: Q1
    ask: Is the breaker pushed in?
  - id: battery
    kind: reading
    point: G1:+
    reference: earth bar
    measure: dc-voltage
    limits: 24.0..29.0 V
  - id: fuse
    kind: reading
    point: F1:2
    reference: earth bar
    measure: dc-voltage
    limits: 23.5..29.0 V
"""

PROCEDURE = parse_procedure(SOURCE, "two-points.yaml")


def at(milliseconds: int) -> Instant:
    """Return the moment so long after the start."""
    ns = milliseconds * 1_000_000
    return Instant(ns, STARTED_UTC_NS + ns)


def reading(display: str, milliseconds: int) -> Reading:
    """Return a DC volts reading with an invented frame."""
    flags = frozenset({Flag.AUTO_RANGE})
    return Reading(display, "V", Function.DC_VOLTAGE, at(milliseconds), flags=flags, raw=b"\x1b\x00" + display.encode())


def touch(step: str | None, value: str, start: int, end: int, outcome: TouchOutcome = TouchOutcome.MATCHED) -> Touch:
    """Return a touch in volts; times in milliseconds."""
    return Touch(step, outcome, Measured(Decimal(value), "V"), at(start), at(end))


def verdict(step: str, value: str | None, outcome: VerdictOutcome, milliseconds: int) -> Verdict:
    """Return a verdict in volts; without a value, that of a look step."""
    measured = None if value is None else Measured(Decimal(value), "V")
    limits = None if value is None else "23.5..29.0 V"
    return Verdict(step, outcome, measured, limits, value is None, f"Why it is {outcome}.", at(milliseconds))


def probe(step: str, milliseconds: int) -> Cue:
    """Return the cue that asks for a step."""
    return Cue("probe", f"Touch {step}.", step, at(milliseconds))


def end(milliseconds: int, *, complete: bool, lost_between: tuple[str, str] | None = None) -> End:
    """Return an end; its own counts are no matter here."""
    return End(complete, 0, 0, 0, (), lost_between, at(milliseconds))


def begin(
    store: Store,
    entries: Sequence[Entry] = (),
    *,
    started_utc_ns: int = STARTED_UTC_NS,
    device: bytes | None = None,
) -> str:
    """Begin a job of the invented procedure, an hour east of UTC."""
    return store.begin_job(
        PROCEDURE,
        SOURCE,
        meter="sim:healthy",
        meter_identity=None,
        software="steadypoint 0.1.0",
        started_utc_ns=started_utc_ns,
        utc_offset_s=3600,
        device=device,
        entries=entries,
    )
