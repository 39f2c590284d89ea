"""How a record's times, values and tables are written for people."""

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta, timezone

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


def columns(rows: Sequence[Sequence[str]]) -> list[str]:
    """Lay rows of equal length out in columns, two spaces between them."""
    rows = [[_printable(cell) for cell in row] for row in rows]
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    return ["  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in rows]


def _printable(text: str) -> str:
    # A title or a meter's identity comes from outside; an escape sequence in it must not steer the terminal.
    return "".join(sign if sign.isprintable() else "\N{REPLACEMENT CHARACTER}" for sign in text)
