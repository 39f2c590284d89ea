"""Accuracy sheets and instruments, for people and as JSON. Pure."""

from decimal import Decimal
from itertools import compress

from meterlink.instrument import Calibration, Climate, Range, Sheet
from meterlink.instruments.instrument_file import Registered
from meterlink.judging.words import percent, shortest, size
from meterlink.limits import PREFIXES
from meterlink.outcome import Json
from meterlink.reading import Function

_SHEET_HEAD = (
    "FUNCTION",
    "RANGE",
    "RESOLUTION",
    "ACCURACY",
    "IMPEDANCE",
    "TEST CURRENT",
    "UPDATES",
    "TEMPERATURE",
    "EACH KELVIN OUTSIDE",
)
INSTRUMENT_HEAD = ("INSTRUMENT", "SHEET", "CERTIFICATE", "CALIBRATED", "DUE", "CALIBRATION", "IDENTITY")


def sheet_table(sheet: Sheet) -> list[tuple[str, ...]]:
    """Give a head and a row for each range, in the units people use; what the sheet never states has no column."""
    rows = [
        (function.value, *_sizes(each, function), *_rest(each))
        for function, ranges in sheet.ranges.items()
        for each in ranges
    ]
    stated = [any(column) for column in zip(*rows, strict=True)]
    return [tuple(compress(row, stated)) for row in (_SHEET_HEAD, *rows)]


def sheet_json(sheet: Sheet) -> Json:
    """Give a sheet for JSON: sizes in the function's unit without prefix, shares as shares."""
    return {
        "sheet": sheet.name,
        "title": sheet.title,
        "source": sheet.source,
        "functions": {
            function.value: [_range_json(each, function) for each in ranges]
            for function, ranges in sheet.ranges.items()
        },
    }


def instrument_row(registered: Registered, calibration: Calibration) -> tuple[str, ...]:
    """Give an instrument's row, under `INSTRUMENT_HEAD`."""
    return (
        registered.name,
        registered.sheet,
        registered.certificate or "",
        registered.calibrated.isoformat() if registered.calibrated else "",
        registered.due.isoformat() if registered.due else "",
        calibration.value,
        ", ".join(registered.identities),
    )


def instrument_json(registered: Registered, calibration: Calibration) -> Json:
    """Give an instrument for JSON."""
    return {
        "instrument": registered.name,
        "sheet": registered.sheet,
        "certificate": registered.certificate,
        "calibrated": registered.calibrated.isoformat() if registered.calibrated else None,
        "due": registered.due.isoformat() if registered.due else None,
        "calibration": calibration.value,
        "identities": list(registered.identities),
        "note": registered.note,
    }


def _sizes(row: Range, function: Function) -> tuple[str, str]:
    """Write a range and its resolution with one prefix, as data sheets do."""
    unit = function.unit
    full = size(row.full, unit)
    _, _, prefixed = full.partition(" ")
    power = PREFIXES.get(prefixed.removesuffix(unit), 0)
    return full, f"{shortest(row.resolution.scaleb(-power))} {prefixed}"


def _rest(row: Range) -> tuple[str, ...]:
    return (
        f"±({percent(row.reading)} + {shortest(row.counts)})",
        "" if row.impedance is None else size(row.impedance, "Ohm"),
        "" if row.test_current is None else size(row.test_current, "A"),
        "" if row.updates is None else f"{shortest(row.updates)} a second",
        f"{shortest(row.climate.low)}..{shortest(row.climate.high)} °C",
        _per_kelvin(row.climate),
    )


def _per_kelvin(climate: Climate) -> str:
    if climate.reading_per_kelvin:
        return f"{percent(climate.reading_per_kelvin)} of reading"
    return f"{shortest(climate.accuracy_per_kelvin)} x accuracy"


def _range_json(row: Range, function: Function) -> Json:
    climate = row.climate
    return {
        "unit": function.unit,
        "range": float(row.full),
        "resolution": float(row.resolution),
        "reading": float(row.reading),
        "counts": float(row.counts),
        "impedance": _number(row.impedance),
        "test_current": _number(row.test_current),
        "updates": _number(row.updates),
        "temperature": {
            "from": float(climate.low),
            "to": float(climate.high),
            "accuracy_per_kelvin": float(climate.accuracy_per_kelvin),
            "reading_per_kelvin": float(climate.reading_per_kelvin),
        },
    }


def _number(value: Decimal | None) -> float | None:
    return None if value is None else float(value)
