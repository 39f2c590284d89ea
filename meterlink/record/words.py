"""How a record's times, values and tables are written for people."""

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta, timezone
from decimal import Decimal

from meterlink.instrument import Calibration
from meterlink.judging.words import share, uncertainty
from meterlink.outcome import Json
from meterlink.reading import NS_PER_S
from meterlink.record.summary import JobState

STATES = {
    JobState.COMPLETE: "complete",
    JobState.STOPPED: "stopped before its end",
    JobState.INTERRUPTED: "not ended",
}


def rfc3339(utc_ns: int) -> str:
    """Write a wall clock time in UTC with all its nanoseconds: `2026-11-25T08:30:00.000000001Z`."""
    whole, fraction = divmod(utc_ns, NS_PER_S)
    return f"{datetime.fromtimestamp(whole, UTC):%Y-%m-%dT%H:%M:%S}.{fraction:09d}Z"


def local_time(utc_ns: int, utc_offset_s: int) -> str:
    """Write a wall clock time in the job's local time, offset shown: `2026-11-25 09:30:00+01:00`."""
    zone = timezone(timedelta(seconds=utc_offset_s))
    return datetime.fromtimestamp(utc_ns // NS_PER_S, zone).isoformat(" ", "seconds")


def measured(body: Json) -> str:
    """Write the value of a touch or verdict: `24.10 V`, `OL`, or nothing where none was measured."""
    value, unit = body["value"], body["unit"]
    if value is None:
        return ""
    return "OL" if value == "OL" else f"{value} {unit}"


def plus_minus(body: Json) -> str:
    """Write the expanded uncertainty of a verdict, or nothing where none is known."""
    expanded = body.get("expanded_uncertainty")
    if not isinstance(expanded, int | float) or not expanded:
        return ""
    return uncertainty(Decimal(str(expanded)), str(body["unit"]))


def inside(body: Json) -> str:
    """Write how likely the true value of a verdict lies inside the limits, or nothing where that is not known."""
    probability = body.get("probability")
    return share(probability) if isinstance(probability, int | float) else ""


def calibration_words(body: Json) -> str:
    """Write how the calibration of an instrument stands; in capitals where it is not valid."""
    state = Calibration(str(body["calibration"]))
    if state is Calibration.VALID:
        return f"certificate {body['certificate']}, {body['calibrated']}, valid to {body['due']}"
    if state is Calibration.OVERDUE:
        return f"OVERDUE, WAS DUE BY {body['due']}; certificate {body['certificate']}, {body['calibrated']}"
    return "NONE ON FILE THAT HOLDS" if state is Calibration.MISSING else "NOT KNOWN"


def proof_words(touch: Json) -> str:
    """Write a touch that proves a fault: `24.96 V at B1:11`."""
    where = touch["point"] if touch["reference"] is None else f"{touch['point']} to {touch['reference']}"
    return f"{measured(touch)} at {where}"


def columns(rows: Sequence[Sequence[str]]) -> list[str]:
    """Lay rows of equal length out in columns, two spaces between them."""
    rows = [[_printable(cell) for cell in row] for row in rows]
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    return ["  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in rows]


def _printable(text: str) -> str:
    # A title or a meter's identity comes from outside; an escape sequence in it must not steer the terminal.
    return "".join(sign if sign.isprintable() else "\N{REPLACEMENT CHARACTER}" for sign in text)
