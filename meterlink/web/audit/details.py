"""Everything that the record says of one mark, as rows of a name and a text, and the bytes of its readings. Pure."""

from collections.abc import Iterator, Sequence
from decimal import Decimal

from meterlink.judging.words import uncertainty
from meterlink.outcome import Json, seconds
from meterlink.record.entry import Event, Kind
from meterlink.record.store import Job
from meterlink.record.words import inside, local_time, measured, plus_minus, rfc3339

Rows = list[tuple[str, str]]


def details(job: Job, point: str | None, event: Event, partner: Event | None, frames: Sequence[Event]) -> Json:
    """Say all of one mark.

    Args:
        job: whose.
        point: the test point of its step; None where it has none.
        event: the mark's own.
        partner: the verdict that a touch came to, or the touch of a verdict.
        frames: the readings that it rests on.
    """
    events = [each for each in (event, partner) if each is not None]
    verdict = next((each for each in events if each.kind is Kind.VERDICT), None)
    touch = next((each for each in events if each.kind is Kind.TOUCH), None)
    rows = [("Test point", point)] if point else []
    rows += _of_verdict(verdict.body) if verdict else _of_touch(touch.body) if touch else _of_other(event)
    if touch is not None:
        rows.append(("Touch", f"{touch.body['from']:.3f} s to {touch.body['to']:.3f} s, {touch.body['outcome']}"))
    rows.append(("Time", f"{seconds(event.at):.3f} s, {local_time(event.at.utc_ns, job.utc_offset_s)}"))
    numbers = " and ".join(str(each.seq) for each in sorted(events, key=lambda each: each.seq))
    rows.append(("Event", f"{numbers} of the record, {rfc3339(event.at.utc_ns)}"))
    return {
        "rows": [[name, text] for name, text in rows if text],
        "budget": _budget(verdict.body) if verdict else [],
        "frames": [[f"{seconds(each.at):.3f} s", _shown(each.body), each.raw.hex(" ")] for each in frames],
    }


def _of_verdict(body: Json) -> Rows:
    return [
        ("Verdict", str(body["outcome"])),
        ("Value", measured(body)),
        ("Limits", str(body["limits"] or "none: the meter does not judge this step")),
        ("Where the limits come from", str(body["limits_source"] or "")),
        ("Uncertainty", _off(body)),
        ("Rule", str(body.get("rule") or "")),
        ("Likely inside", inside(body)),
        ("Reason", str(body["reason"])),
        ("Advice", str(body.get("advice") or "")),
        ("Confirmed", "by the technician" if body["confirmed"] else "not asked for"),
        ("Accuracy sheet", _sheet(body)),
    ]


def _of_touch(body: Json) -> Rows:
    return [("Verdict", "none during this touch"), ("Value", measured(body) or "it never stood still")]


def _of_other(event: Event) -> Rows:
    """Whatever else the record holds: its keys and values as they are."""
    long = {"sheet_text", "fallback_text", "circuit", "computed", "wire"}
    return [(name.replace("_", " "), _plain(value)) for name, value in event.body.items() if name not in long]


def _plain(value: object) -> str:
    if isinstance(value, list):
        return "; ".join(map(_plain, value))
    if isinstance(value, dict):
        return ", ".join(f"{name} {_plain(each)}" for name, each in value.items() if each is not None)
    return "" if value is None else str(value)


def _off(body: Json) -> str:
    off = plus_minus(body)
    return off and f"±{off} (k = {body['coverage_factor']:.3g})"


def _sheet(body: Json) -> str:
    sheet = str(body.get("sheet") or "")
    ranged = f"{sheet}, range {body['range']}" if sheet and body.get("range") else sheet
    return f"{ranged}: the cautious default, since the meter was not known" if body.get("cautious_default") else ranged


def _budget(body: Json) -> list[list[str]]:
    lines = body.get("budget") or []
    return [list(_budget_line(line, str(body["unit"]))) for line in lines] if isinstance(lines, list) else []


def _budget_line(line: Json, unit: str) -> Iterator[str]:
    yield str(line["name"])
    standard = Decimal(str(line["standard_uncertainty"]))
    yield uncertainty(standard, unit) if standard else f"0 {unit}"
    yield str(line["about"])


def _shown(body: Json) -> str:
    display = str(body["display"]) or "(blank)"
    scale = f"e{body['scale']} " if body["scale"] else " "
    return f"{display}{scale}{body['unit']}"
