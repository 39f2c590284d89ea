"""A trace: readings and answers as JSON lines, one object a line.

A reading is `{"t": 1.25, "display": "24.10", "unit": "V", "function": "dc-voltage", "flags": ["auto-range"]}`. `t` is
seconds from the start and never goes back. `display` is what the meter shows: a leading `-` is its sign, `OL` is
overload, empty is blank. `scale` (default 0) is the power of ten of the prefix shown, -3 for mV. `flags` may be left
out. `raw` may hold the frame's bytes as hex, and `step` the smallest change that the wire can carry, where that is not
one unit of the last digit. An answer of the technician is `{"t": 9.5, "input": "confirm"}` (or `refuse`, `repeat`,
`back`). A break of the link is `{"t": 12, "gap": "link-lost"}`; what the meter said besides its readings is
`{"t": 3, "notice": "error", "display": "-113", "text": "Undefined header", "unit": "", "raw": "..."}`. Blank lines are
skipped.
"""

import json
import re
from collections.abc import Iterable
from decimal import Decimal
from enum import StrEnum
from typing import TypeVar

from meterlink.driver import Notice
from meterlink.errors import FileError
from meterlink.outcome import Answer, Break, Gap, Input
from meterlink.reading import FAHRENHEIT, NS_PER_S, Flag, Function, Instant, Reading, plain

MAX_LINE = 65_536
"""Bytes. A reading takes about 100; the bound keeps a file that is no trace from filling the memory."""

_MAX_SECONDS = 10**9
_DECIMAL = re.compile(r"\d{1,20}(\.\d{1,20})?", re.ASCII)
_READING_KEYS = {"t", "display", "unit", "function", "scale", "flags", "raw", "step"}
_INPUT_KEYS = {"t", "input"}
_GAP_KEYS = {"t", "gap"}
_NOTICE_KEYS = {"t", "notice", "display", "text", "unit", "raw"}

TraceItem = Reading | Notice | Input | Gap

_Word = TypeVar("_Word", bound=StrEnum)


class TraceDecoder:
    """Reads one trace as its bytes come, in any split, and holds no more than one unfinished line.

    Args:
        name: what errors call the trace.
        start_utc_ns: the wall clock at t = 0, in nanoseconds since 1970.
    """

    def __init__(self, name: str, start_utc_ns: int) -> None:
        self.latest = Instant(0, start_utc_ns)
        """The time of the last item; the start before the first."""
        self._start = self.latest
        self._name = name
        self._number = 0
        self._begun = b""
        self._error: FileError | None = None

    def feed(self, data: bytes) -> list[TraceItem]:
        """Take the next bytes and return the items they complete, up to the first that is wrong."""
        *lines, self._begun = (self._begun + data).split(b"\n")
        if len(self._begun) > MAX_LINE:  # one more byte than allowed is enough to refuse it
            lines.append(self._begun)
            self._begun = b""
        items = []
        for line in lines:
            self._number += 1
            if self._error is None and line.strip():
                try:
                    items.append(self._item(line))
                except ValueError as error:
                    self._error = FileError(self._name, str(error), self._number)
        return items

    def refuse_what_is_wrong(self) -> None:
        """Do nothing while the trace is right.

        Raises:
            FileError: it is wrong; says where, what was found and what was expected. Everything that stood before has
                been returned by then.
        """
        if self._error is not None:
            raise self._error

    def _item(self, line: bytes) -> TraceItem:
        item = _item(line, self._start)
        if item.at < self.latest:
            raise ValueError(f"t goes back, from {_seconds(self.latest)} to {_seconds(item.at)}; expected no less")
        self.latest = item.at
        return item


def to_line(item: TraceItem) -> str:
    """Write an item as a line of a trace, without its end; reading it again gives the same item."""
    record: dict[str, object] = {}
    match item:
        case Input():
            record["input"] = item.answer.value
        case Gap():
            record["gap"] = item.reason.value
        case Notice():
            record |= {"notice": item.kind, "display": item.display, "text": item.text, "unit": item.unit}
            record["raw"] = item.raw.hex(" ")
        case Reading():
            record |= {"display": item.display, "unit": item.unit, "function": item.function.value, "scale": item.scale}
            record["flags"] = sorted(flag.value for flag in item.flags)
            if item.step is not None:
                record["step"] = plain(item.step)
            record["raw"] = item.raw.hex(" ")
    return f'{{"t": {_seconds(item.at)}, {json.dumps(record, ensure_ascii=False)[1:]}'


def _item(line: bytes, start: Instant) -> TraceItem:
    if len(line) > MAX_LINE:
        raise ValueError(f"the line is longer than {MAX_LINE} bytes; expected one JSON object a line")
    record = _json_object(line)
    at = _instant(record, start)
    if "input" in record:
        _only(record, _INPUT_KEYS, required=_INPUT_KEYS)
        return Input(_word(record["input"], Answer, "input"), at)
    if "gap" in record:
        _only(record, _GAP_KEYS, required=_GAP_KEYS)
        return Gap(at, _word(record["gap"], Break, "gap"))
    if "notice" in record:
        _only(record, _NOTICE_KEYS, required=_NOTICE_KEYS)
        kind, text = _text(record, "notice"), _text(record, "text")
        return Notice(kind, _text(record, "display"), text, at, _raw(record), _text(record, "unit"))
    _only(record, _READING_KEYS, required=_READING_KEYS - {"scale", "flags", "raw", "step"})
    display = _text(record, "display", ', as in "24.10"')
    function = _word(record["function"], Function, "function")
    unit = record["unit"]
    if unit != function.unit and (unit, function) != (FAHRENHEIT, Function.TEMPERATURE):
        raise ValueError(
            f'unit {_shown(unit)} does not fit {function.value}; expected "{function.unit}", prefix in scale'
        )
    scale, flags = _scale(record.get("scale", 0)), _flags(record.get("flags", []))
    return Reading(display, str(unit), function, at, scale, flags, _raw(record), _step(record))


def _json_object(line: bytes) -> dict[str, object]:
    try:
        record = json.loads(
            line.decode("utf-8-sig"),
            parse_float=Decimal,
            parse_constant=_no_constant,
            object_pairs_hook=_unique,
        )
    except UnicodeDecodeError:
        raise ValueError("not UTF-8 text; expected one JSON object a line") from None
    except json.JSONDecodeError as error:
        raise ValueError(f"not JSON ({error.msg} at column {error.colno}); expected one JSON object a line") from None
    except RecursionError:
        raise ValueError("nested too deeply; expected one flat JSON object a line") from None
    if not isinstance(record, dict):
        raise ValueError(f"{_shown(record)} is not a JSON object; expected a reading or an input")
    return record


def _no_constant(name: str) -> object:
    raise ValueError(f"{name} is not a number that JSON knows; expected a finite one")


def _unique(pairs: list[tuple[str, object]]) -> dict[str, object]:
    record = dict(pairs)
    if len(record) != len(pairs):
        raise ValueError("a key stands twice; expected each once")
    return record


def _instant(record: dict[str, object], start: Instant) -> Instant:
    seconds = record.get("t")
    if isinstance(seconds, bool) or not isinstance(seconds, int | Decimal):
        raise ValueError(f"t {_shown(seconds)} is not a number; expected seconds from the start")
    if not 0 <= seconds <= _MAX_SECONDS:
        raise ValueError(f"t {_shown(seconds)} is out of range; expected seconds from the start, 0 or more")
    elapsed_ns = round(seconds * NS_PER_S)
    return Instant(elapsed_ns, start.utc_ns + elapsed_ns)


def _only(record: dict[str, object], known: set[str], *, required: set[str]) -> None:
    if unknown := sorted(record.keys() - known):
        raise ValueError(f"unknown key {_shown(unknown[0])}; expected {_listed(known)}")
    if missing := sorted(required - record.keys()):
        raise ValueError(f'"{missing[0]}" is missing; expected {_listed(required)}')


def _word(value: object, words: type[_Word], key: str) -> _Word:
    if not isinstance(value, str) or value not in {word.value for word in words}:
        raise ValueError(f"{key} {_shown(value)} is not known; expected one of {', '.join(words)}")
    return words(value)


def _scale(value: object) -> int:
    if isinstance(value, bool) or not isinstance(value, int) or not -12 <= value <= 9:
        raise ValueError(f"scale {_shown(value)}: expected the prefix's power of ten, from -12 (pico) to 9 (giga)")
    return value


def _flags(value: object) -> frozenset[Flag]:
    if not isinstance(value, list):
        raise ValueError(f"flags {_shown(value)}: expected a list")
    return frozenset(_word(flag, Flag, "flag") for flag in value)


def _text(record: dict[str, object], key: str, example: str = "") -> str:
    value = record[key]
    if not isinstance(value, str):
        raise ValueError(f"{key} {_shown(value)} is not text; expected it in quotes{example}")
    return value


def _raw(record: dict[str, object]) -> bytes:
    if "raw" not in record:
        return b""
    try:
        return bytes.fromhex(_text(record, "raw"))
    except ValueError:
        raise ValueError(f"raw {_shown(record['raw'])} is not bytes as hex; expected two hex digits a byte") from None


def _step(record: dict[str, object]) -> Decimal | None:
    if "step" not in record:
        return None
    text = _text(record, "step", ', as in "0.01"')
    if not _DECIMAL.fullmatch(text) or not Decimal(text):
        raise ValueError(f"step {_shown(text)}: expected a number above 0, written out")
    return Decimal(text)


def _seconds(at: Instant) -> str:
    return f"{at.seconds.normalize():f}"


def _shown(value: object) -> str:
    """Write a value as JSON does, cut to a length that a message can carry."""
    text = str(value) if isinstance(value, Decimal) else json.dumps(value, default=str)
    return text if len(text) <= 40 else f"{text[:40]}..."


def _listed(keys: Iterable[str]) -> str:
    return ", ".join(sorted(keys))
