"""A job's log as rows of a table, safe to open in a spreadsheet."""

import re
from collections.abc import Iterator

from meterlink.outcome import Json, seconds
from meterlink.reading import Reading, plain
from meterlink.record.codec import from_event
from meterlink.record.entry import Event, Kind
from meterlink.record.words import rfc3339

HEAD = ("event", "utc", "t_s", "kind", "step", "what", "value", "unit", "limits", "rule", "uncertainty", "text", "raw")
"""`uncertainty` is the expanded one, in `unit`; `t_s` counts from the start, in seconds; `raw` is hex."""

_NUMBER = re.compile(r"[-+]?\d+(\.\d+)?(e[-+]?\d+)?", re.ASCII)
_FORMULA = (*"=+-@\t\r\n\0", *"\uff1d\uff0b\uff0d\uff20")
"""A cell that begins so may be run by a spreadsheet (OWASP, "CSV Injection"; OWASP ASVS 5.0, 1.2.10); the last four
are the full-width forms of the first four, which some spreadsheets take for the same."""
_WHAT = ("outcome", "code", "input", "reason", "about", "answer", "calibration")
_TEXT = ("text", "why", "sheet")


def rows(events: Iterator[Event]) -> Iterator[tuple[str, ...]]:
    """Write a log, its head first."""
    yield HEAD
    yield from map(_row, events)


def safe(value: object) -> str:
    """Write a cell; what a spreadsheet might take for a formula gets a quote in front, a plain number does not."""
    text = "" if value is None else str(value)
    return f"'{text}" if text.startswith(_FORMULA) and not _NUMBER.fullmatch(text) else text


def _row(event: Event) -> tuple[str, ...]:
    body = event.body
    cells = {
        "event": event.seq,
        "utc": rfc3339(event.at.utc_ns),
        "t_s": seconds(event.at),
        "kind": event.kind.value,
        "step": body.get("step"),
        "limits": body.get("limits"),
        "rule": body.get("rule"),
        "uncertainty": body.get("expanded_uncertainty"),
        "raw": event.raw.hex(),
        **(_read(event) if event.kind is Kind.READING else _told(event)),
    }
    return tuple(safe(cells.get(name)) for name in HEAD)


def _read(event: Event) -> Json:
    """What the display showed: its number in the unit without prefix, or OL."""
    body, reading = event.body, from_event(event)
    number = reading.value if isinstance(reading, Reading) else None
    value = body["display"] if number is None else plain(number)
    return {"what": body["function"], "value": value, "unit": body["unit"]}


def _told(event: Event) -> Json:
    """What was said, answered or came about; a verdict's reason is its text."""
    body = event.body
    if event.kind is Kind.VERDICT:
        what, text = body["outcome"], body["reason"]
    else:
        what = next((body[name] for name in _WHAT if name in body), None)
        text = next((body[name] for name in _TEXT if name in body), None)
    return {"what": what, "value": body.get("value"), "unit": body.get("unit"), "text": text}
