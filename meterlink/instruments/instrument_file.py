"""A registered instrument as a YAML file: which sheet it has, and how its calibration stands.

Pure; the files are found, and written, by `meterlink.instruments.shelf`.
"""

import json
import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from typing import Annotated, Any

from pydantic import BeforeValidator, Field, PlainValidator, ValidationError, WithJsonSchema

from meterlink.instrument import Calibration
from meterlink.procedure.fields import Part, Slug, Text, as_list, optional
from meterlink.procedure.lint import Finding, found
from meterlink.procedure.placed import Owner, placed
from meterlink.procedure.problem import Problem, ProcedureError, Severity
from meterlink.procedure.source import Path, Source, begins_with, read_source

_DAY = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}", re.ASCII)
_LONGEST_YEARS = 5
"""Calibrations are due after a year, seldom after more than two (common practice, no source)."""
_CALIBRATION_KEYS = ("certificate", "calibrated", "due")

_PLAIN = re.compile(r"[A-Za-z][A-Za-z0-9._/+-]*(?:[ :][A-Za-z0-9._/+-]+)*", re.ASCII)
"""What means the same in quotes and without, wherever it stands."""
_GUESSED = frozenset(("y", "n", "yes", "no", "on", "off", "true", "false", "null"))
"""Words that other YAML tools take for something else than text."""


def parse_day(text: str) -> date:
    """Read a day as ISO 8601 writes it, such as 2026-03-02.

    Raises:
        ValueError: it is written otherwise, or there is no such day.
    """
    if not _DAY.fullmatch(text):
        raise ValueError(f"{text!r}: expected a day as year-month-day, such as 2026-03-02")
    try:
        return date.fromisoformat(text)
    except ValueError as error:
        raise ValueError(f"{text!r}: there is no such day") from error


def _day(value: object) -> date:
    if not isinstance(value, str):
        raise ValueError("expected a day, such as 2026-03-02")
    return parse_day(value)


def _without_default(schema: dict[str, Any]) -> None:
    del schema["default"]


_Day = Annotated[
    date,
    PlainValidator(_day),
    WithJsonSchema({"type": "string", "format": "date", "pattern": "^[0-9]{4}-[0-9]{2}-[0-9]{2}$"}),
]
_IDENTITY = {"type": "string", "minLength": 1, "maxLength": 2000}


class InstrumentFile(Part):
    """One instrument of the register."""

    instrument: Slug = Field(description="The asset number; the file has the same name.")
    identity: Annotated[
        tuple[Text, ...],
        BeforeValidator(as_list),
        Field(min_length=1),
        WithJsonSchema({"anyOf": [_IDENTITY, {"type": "array", "minItems": 1, "items": _IDENTITY}]}),
    ] = Field(
        (),
        description="How the device, its adapter or its radio is known again, as `steadypoint meters` says.",
        json_schema_extra=_without_default,
    )
    sheet: Text = Field(description="Its accuracy sheet: the name of one, or the path of a file.")
    certificate: Text | None = Field(
        None, description="The number of the calibration certificate.", json_schema_extra=optional
    )
    calibrated: _Day | None = Field(None, description="The day of calibration.", json_schema_extra=optional)
    due: _Day | None = Field(
        None, description="The last day on which the calibration is valid.", json_schema_extra=optional
    )
    note: Text | None = Field(None, description="Anything else.", json_schema_extra=optional)


@dataclass(frozen=True, slots=True)
class Registered:
    """An instrument as the register has it."""

    name: str
    """The asset number."""
    identities: tuple[str, ...]
    """Device identities, as `meterlink.address.identity_of` gives them."""
    sheet: str
    """The name of an accuracy sheet, or the path of a file."""
    certificate: str | None = None
    calibrated: date | None = None
    due: date | None = None
    """The last day on which the calibration is valid."""
    note: str | None = None


@dataclass(frozen=True, slots=True)
class ExaminedInstrument:
    """What a text turned out to be."""

    instrument: Registered | None
    """None where there is an error."""
    problems: tuple[Problem, ...]
    """Errors and warnings, in the order of the file."""
    source: Source | None
    """The file with its places; None where it is no plain YAML."""


def calibration_on(registered: Registered, day: date) -> Calibration:
    """Say where the calibration stands on a day, ends included.

    It counts as missing without a certificate, a day of calibration or a due day, and while its day lies ahead.
    """
    calibrated, due = registered.calibrated, registered.due
    if registered.certificate is None or calibrated is None or due is None or calibrated > day:
        return Calibration.MISSING
    return Calibration.OVERDUE if day > due else Calibration.VALID


def is_instrument(text: str) -> bool:
    """Whether a YAML text means to be an instrument: its first key says so."""
    return begins_with("instrument", text)


def parse_instrument(text: str, path: str) -> Registered:
    """Read an instrument from the text of its file; `path` only names it in errors.

    Raises:
        ProcedureError: with every error of the file.
    """
    examined = examine_instrument(text, path)
    if examined.instrument is None:
        raise ProcedureError(path, [each for each in examined.problems if each.severity is Severity.ERROR])
    return examined.instrument


def examine_instrument(text: str, path: str) -> ExaminedInstrument:
    """Read an instrument and collect its problems, warnings too; `path` only names it."""
    try:
        source = read_source(text, path, "an instrument of the register")
    except ProcedureError as error:
        return ExaminedInstrument(None, error.problems, None)
    told, problems = None, found(source, _sense(source))
    try:
        told = InstrumentFile.model_validate(source.root)
    except ValidationError as error:
        problems += placed(source, error.errors(include_url=False), _owner)
    sound = told is not None and all(each.severity is Severity.WARNING for each in problems)
    return ExaminedInstrument(_registered(told) if told and sound else None, tuple(sorted(problems)), source)


def instrument_text(registered: Registered) -> str:
    """Write an instrument's file as a person would. What YAML could take for something else stands in quotes."""
    lines = [f"instrument: {_quoted(registered.name)}"]
    if len(registered.identities) == 1:
        lines.append(f"identity: {_quoted(registered.identities[0])}")
    elif registered.identities:
        lines += ["identity:", *(f"  - {_quoted(each)}" for each in registered.identities)]
    lines.append(f"sheet: {_quoted(registered.sheet)}")
    if registered.certificate is not None:
        lines.append(f"certificate: {_quoted(registered.certificate)}")
    if registered.calibrated is not None:
        lines.append(f"calibrated: {registered.calibrated.isoformat()}")
    if registered.due is not None:
        lines.append(f"due: {registered.due.isoformat()}")
    if registered.note is not None:
        lines.append(f"note: {_quoted(registered.note)}")
    return "\n".join(lines) + "\n"


def is_path(sheet: str) -> bool:
    """Whether the name of a sheet is the path of its file."""
    return sheet.endswith((".yaml", ".yml")) or "/" in sheet or "\\" in sheet


def _quoted(text: str) -> str:
    if _PLAIN.fullmatch(text) and text.lower() not in _GUESSED:
        return text
    return json.dumps(text, ensure_ascii=False)  # every JSON string is one of YAML, with the same escapes


def _registered(told: InstrumentFile) -> Registered:
    return Registered(
        told.instrument, told.identity, told.sheet, told.certificate, told.calibrated, told.due, told.note
    )


def _sense(source: Source) -> Iterator[Finding]:
    root = source.root
    if not isinstance(root, dict):
        return
    given = [key for key in root if key in _CALIBRATION_KEYS]
    missing = [key for key in _CALIBRATION_KEYS if key not in root]
    if given and missing:
        message = f"{' and '.join(given)} without {' and '.join(missing)}: the calibration counts as missing"
        yield Finding((given[0],), message, Severity.WARNING)
    yield from _days(_readable_day(root.get("calibrated")), _readable_day(root.get("due")))
    identities = root.get("identity")
    if isinstance(identities, list):
        for index, each in enumerate(identities):
            if each in identities[:index]:
                first: Path = ("identity", identities.index(each))
                yield Finding(("identity", index), f"identity {each!r} is given twice", first=first)
    sheet = root.get("sheet")
    if isinstance(sheet, str) and is_path(sheet) and not re.match(r"/|\\\\|[A-Za-z]:[/\\]", sheet):
        message = f"{sheet!r} depends on the folder one works in; write the whole path, or use a sheet's name"
        yield Finding(("sheet",), message, Severity.WARNING)


def _days(calibrated: date | None, due: date | None) -> Iterator[Finding]:
    if calibrated is None or due is None:
        return
    if due < calibrated:
        yield Finding(("due",), f"due {due} lies before the day of calibration, {calibrated}")
    elif due.year - calibrated.year > _LONGEST_YEARS:
        message = f"due {due} is more than {_LONGEST_YEARS} years after the calibration; is that meant?"
        yield Finding(("due",), message, Severity.WARNING)


def _readable_day(node: object) -> date | None:
    try:
        return _day(node)
    except ValueError:
        return None


def _owner(path: Path) -> Owner:
    return "an instrument", InstrumentFile
