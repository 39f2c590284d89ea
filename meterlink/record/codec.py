"""What goes into the engine and what comes out of it, as lines of the log, and back for resume and replay."""

import hashlib
from collections.abc import Mapping, Sequence
from decimal import Decimal, InvalidOperation

from meterlink.driver import Notice
from meterlink.errors import FileError, RecordError
from meterlink.instrument import Calibration, Instrument, Sheet, Wire
from meterlink.instruments.sheet_file import parse_sheet
from meterlink.note import Note
from meterlink.outcome import (
    Answer,
    Answered,
    Break,
    Change,
    Cue,
    End,
    EngineInput,
    Found,
    Gap,
    Input,
    Jumper,
    Outcome,
    Register,
    Reopened,
    Touch,
    Verdict,
)
from meterlink.reading import Flag, Function, Instant, Reading, plain
from meterlink.record.entry import Entry, Event, Kind


def to_entry(item: EngineInput | Notice | Note | Outcome) -> Entry:
    """Write one item as a line. An outcome's body is its public JSON form and nothing else."""
    match item:
        case Reading():
            return Entry(Kind.READING, item.at, _reading_body(item), item.raw)
        case Input():
            return Entry(Kind.INPUT, item.at, {"input": item.answer.value})
        case Jumper():
            body = {"input": "jumper", "fitted": item.fitted, "where": item.where, "why": item.why}
            return Entry(Kind.INPUT, item.at, body)
        case Note():
            return Entry(Kind.NOTE, item.at, item.as_json())
        case Gap():
            return Entry(Kind.GAP, item.at, {"reason": item.reason.value})
        case Instrument():
            return Entry(Kind.INSTRUMENT, item.at, _instrument_body(item))
        case Notice():
            body = {"about": f"meter-{item.kind}", "code": item.display, "text": item.text}
            return Entry(Kind.NOTE, item.at, body, item.raw)
        case Touch():
            return Entry(Kind.TOUCH, item.end, item.as_json())
        case Verdict():
            return Entry(Kind.VERDICT, item.at, item.as_json())
        case Cue():
            return Entry(Kind.CUE, item.at, item.as_json())
        case Found():
            return Entry(Kind.FINDING, item.at, item.as_json())
        case Change():
            return Entry(Kind.CHANGE, item.at, item.as_json())
        case Answered():
            return Entry(Kind.ANSWER, item.at, item.as_json())
        case Register():
            return Entry(Kind.JUMPER, item.at, item.as_json())
        case Reopened():
            return Entry(Kind.REOPENED, item.at, item.as_json())
        case End():
            return Entry(Kind.END, item.at, item.as_json())


def start_entry(cautions: Sequence[str], at: Instant, kept: Mapping[str, object] | None = None) -> Entry:
    """Write that these cautions were acknowledged and the check begins.

    Args:
        cautions: as they were read.
        at: when.
        kept: what the job rests on besides: the text of its circuit, and the limits worked out from it.
    """
    return Entry(Kind.START, at, {"acknowledged": list(cautions), **(kept or {})})


def link_note(text: str, at: Instant) -> Entry:
    """Write news of the link to the meter."""
    return Entry(Kind.NOTE, at, {"about": "link", "text": text})


def from_event(event: Event) -> EngineInput | None:
    """Return what the engine was given, exactly; None for a line that was no input of the engine.

    Raises:
        RecordError: the line is not in the form that `to_entry` writes.
    """
    try:
        match event.kind:
            case Kind.READING:
                return _reading(event)
            case Kind.INPUT if event.body["input"] == "jumper":
                where, why = _text(event.body["where"]), _text(event.body["why"])
                return Jumper(event.body["fitted"] is True, where, why, event.at)
            case Kind.INPUT:
                return Input(Answer(_text(event.body["input"])), event.at)
            case Kind.GAP:
                return Gap(event.at, Break(_text(event.body["reason"])))
            case Kind.INSTRUMENT:
                return _instrument(event)
            case _:
                return None
    except (KeyError, TypeError, ValueError, InvalidOperation, FileError) as error:
        raise RecordError(f"stored line {event.seq} is no {event.kind} that can be read back: {error}") from error


def _reading_body(reading: Reading) -> dict[str, object]:
    body: dict[str, object] = {
        "display": reading.display,
        "unit": reading.unit,
        "function": reading.function.value,
        "scale": reading.scale,
        "flags": sorted(flag.value for flag in reading.flags),
    }
    if reading.step is not None:
        body["step"] = plain(reading.step)
    return body


def _reading(event: Event) -> Reading:
    scale, flags = event.body["scale"], event.body["flags"]
    if not isinstance(scale, int) or not isinstance(flags, list):
        raise TypeError("'scale' must be a whole number and 'flags' a list")
    return Reading(
        display=_text(event.body["display"]),
        unit=_text(event.body["unit"]),
        function=Function(_text(event.body["function"])),
        at=event.at,
        scale=scale,
        flags=frozenset(Flag(flag) for flag in flags),
        raw=event.raw,
        step=Decimal(_text(event.body["step"])) if "step" in event.body else None,
    )


def _instrument_body(instrument: Instrument) -> dict[str, object]:
    celsius, fallback = instrument.celsius, instrument.fallback
    return {
        **instrument.as_json(),
        "temperature": None if celsius is None else plain(celsius),
        "sheet_text": instrument.sheet.text,
        "sheet_sha256": _sha256(instrument.sheet.text),
        "fallback_text": fallback.text if fallback else None,
        "wire": _wire_body(instrument.wire) if instrument.wire else None,
    }


def _wire_body(wire: Wire) -> dict[str, object]:
    return {"format": wire.format, "options": dict(wire.options), "description": wire.description}


def _instrument(event: Event) -> Instrument:
    body = event.body
    celsius, fallback = _text_or_none(body["temperature"]), _text_or_none(body["fallback_text"])
    return Instrument(
        sheet=_sheet(_text(body["sheet_text"])),
        at=event.at,
        name=_text_or_none(body["instrument"]),
        identity=_text_or_none(body["identity"]),
        certificate=_text_or_none(body["certificate"]),
        calibrated=_text_or_none(body["calibrated"]),
        due=_text_or_none(body["due"]),
        calibration=Calibration(_text(body["calibration"])),
        cautious=body["cautious_default"] is True,
        celsius=None if celsius is None else Decimal(celsius),
        fallback=None if fallback is None else _sheet(fallback),
        wire=_wire(body.get("wire")),
    )


def _wire(body: object) -> Wire | None:
    if not isinstance(body, dict):
        return None  # a trace, or a job of an older version
    return Wire(_text(body["format"]), body["options"], _text_or_none(body["description"]))


def _sheet(text: str) -> Sheet:
    return parse_sheet(text, "accuracy sheet (stored)")


def _sha256(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()


def _text_or_none(value: object) -> str | None:
    return None if value is None else _text(value)


def _text(value: object) -> str:
    if not isinstance(value, str):
        raise TypeError(f"text expected, found {value!r}")
    return value
