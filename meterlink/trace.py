"""A trace: readings and answers as JSON lines, one object a line.

A reading is `{"t": 1.25, "display": "24.10", "unit": "V", "function": "dc-voltage", "flags": ["auto-range"]}`. `t` is
seconds from the start and never goes back. `display` is what the meter shows: a leading `-` is its sign, `OL` is
overload, empty is blank. `scale` (default 0) is the power of ten of the prefix shown, -3 for mV. `flags` may be left
out. An answer of the technician is `{"t": 9.5, "input": "confirm"}` (or `refuse`, `repeat`, `back`). Blank lines are
skipped.
"""

import json
from collections.abc import Iterable
from decimal import Decimal
from enum import StrEnum
from typing import TypeVar

from meterlink.errors import FileError
from meterlink.outcome import Answer, Input
from meterlink.reading import FAHRENHEIT, NS_PER_S, Flag, Function, Instant, Reading

MAX_LINE = 65_536
"""Bytes. A reading takes about 100; the bound keeps a file that is no trace from filling the memory."""

_MAX_SECONDS = 10**9
_READING_KEYS = {"t", "display", "unit", "function", "scale", "flags"}
_INPUT_KEYS = {"t", "input"}

_Word = TypeVar("_Word", bound=StrEnum)


class TraceDecoder:
    """Reads one trace as its bytes come, in any split, and holds no more than one unfinished line.

    Args:
        name: what errors call the trace.
        start_utc_ns: the wall clock at t = 0, in nanoseconds since 1970.
    """

    skipped = 0

    def __init__(self, name: str, start_utc_ns: int) -> None:
        self.latest = Instant(0, start_utc_ns)
        """The time of the last item; the start before the first."""
        self._start = self.latest
        self._name = name
        self._number = 0
        self._begun = b""
        self._error: FileError | None = None

    def feed(self, data: bytes, at: Instant) -> list[Reading | Input]:
        """Take the next bytes and return the items they complete, up to the first that is wrong.

        The times are the trace's own; `at` is not used.
        """
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

    def poll(self, at: Instant) -> bytes:
        """Nothing is ever asked.

        Raises:
            FileError: the trace is wrong; says where, what was found and what was expected. Everything that stood
                before has been returned by then.
        """
        if self._error is not None:
            raise self._error
        return b""

    def _item(self, line: bytes) -> Reading | Input:
        item = _item(line, self._start)
        if item.at < self.latest:
            raise ValueError(f"t goes back, from {_seconds(self.latest)} to {_seconds(item.at)}; expected no less")
        self.latest = item.at
        return item


def _item(line: bytes, start: Instant) -> Reading | Input:
    if len(line) > MAX_LINE:
        raise ValueError(f"the line is longer than {MAX_LINE} bytes; expected one JSON object a line")
    record = _json_object(line)
    at = _instant(record, start)
    if "input" in record:
        _only(record, _INPUT_KEYS, required=_INPUT_KEYS)
        return Input(_word(record["input"], Answer, "input"), at)
    _only(record, _READING_KEYS, required=_READING_KEYS - {"scale", "flags"})
    display = record["display"]
    if not isinstance(display, str):
        raise ValueError(f'display {_shown(display)} is not text; expected it in quotes, as in "24.10"')
    function = _word(record["function"], Function, "function")
    unit = record["unit"]
    if unit != function.unit and (unit, function) != (FAHRENHEIT, Function.TEMPERATURE):
        raise ValueError(
            f'unit {_shown(unit)} does not fit {function.value}; expected "{function.unit}", prefix in scale'
        )
    return Reading(display, str(unit), function, at, _scale(record.get("scale", 0)), _flags(record.get("flags", [])))


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


def _seconds(at: Instant) -> str:
    return f"{at.seconds.normalize():f}"


def _shown(value: object) -> str:
    """Write a value as JSON does, cut to a length that a message can carry."""
    text = str(value) if isinstance(value, Decimal) else json.dumps(value, default=str)
    return text if len(text) <= 40 else f"{text[:40]}..."


def _listed(keys: Iterable[str]) -> str:
    return ", ".join(sorted(keys))
