"""From the text of a description to a wire format, or to every problem in it with its place. Pure."""

from collections.abc import Iterable
from dataclasses import dataclass

from pydantic import ValidationError
from pydantic_core import ErrorDetails

from meterlink.described.build import Builder
from meterlink.described.decoder import DescribedDecoder
from meterlink.described.lint import warnings
from meterlink.described.model import Checksum, Description, Digits, Gatt, Line, Number, Part, Point, Prefix, Row
from meterlink.described.plan import Plan
from meterlink.driver import Format, GattPlace, LineSettings
from meterlink.procedure.lint import Finding
from meterlink.procedure.problem import Problem, ProcedureError, Severity
from meterlink.procedure.sentences import name_of, sentence, unknown_key
from meterlink.procedure.source import Path, Source, begins_with, read_source

_PARTS: dict[str, tuple[type[Part], str]] = {
    "line": (Line, "a line"),
    "gatt": (Gatt, "a gatt place"),
    "checksum": (Checksum, "a checksum"),
    "digits": (Digits, "digits"),
    "number": (Number, "a number"),
    "point": (Point, "a point"),
    "prefix": (Prefix, "a prefix"),
    "functions": (Row, "a row of functions"),
}


@dataclass(frozen=True, slots=True)
class Examined:
    """What a text turned out to be."""

    format: Format | None
    """None where there is an error."""
    problems: tuple[Problem, ...]
    """Errors and warnings, in the order of the file."""


def is_description(text: str) -> bool:
    """Whether the first key of a file is `format`: it describes a wire format and is no procedure."""
    return begins_with("format", text)


def parse_description(text: str, path: str) -> Format:
    """Read a wire format from the text of its description; `path` only names it in errors.

    Raises:
        ProcedureError: with every error of the file.
    """
    examined = examine(text, path)
    if examined.format is None:
        raise ProcedureError(path, [each for each in examined.problems if each.severity is Severity.ERROR])
    return examined.format


def examine(text: str, path: str) -> Examined:
    """Read a description and collect its problems, warnings too."""
    try:
        source = read_source(text, path, "a description of a wire format")
    except ProcedureError as error:
        return Examined(None, error.problems)
    try:
        description = Description.model_validate(source.root)
    except ValidationError as error:
        return Examined(None, tuple(sorted({_placed(source, each) for each in error.errors(include_url=False)})))
    builder = Builder(description)
    plan = builder.build()
    if plan is None:
        return Examined(None, _problems(source, builder.found))
    return Examined(_format(description, plan), _problems(source, warnings(builder)))


def _format(told: Description, plan: Plan) -> Format:
    line = told.line
    return Format(
        name=told.format,
        summary=told.summary,
        source=told.source,
        decoder=lambda options: DescribedDecoder(plan),
        confidence=told.confidence,
        line=LineSettings(
            baud=line.baud,
            bytesize=int(line.bytesize),
            parity=line.parity,
            stopbits=float(line.stopbits),
            dtr=line.dtr,
            rts=line.rts,
            gatt=None if told.gatt is None else GattPlace(told.gatt.service, told.gatt.notify),
        ),
        look_alikes=told.look_alikes,
    )


def _problems(source: Source, findings: Iterable[Finding]) -> tuple[Problem, ...]:
    return tuple(sorted(_found(source, each) for each in findings))


def _found(source: Source, finding: Finding) -> Problem:
    first = f"; see line {source.value_place(finding.first)[0]}" if finding.first else ""
    return Problem(*source.value_place(finding.path), finding.message + first, finding.severity)


def _placed(source: Source, error: ErrorDetails) -> Problem:
    path: Path = tuple(part for part in error["loc"] if part not in ("[key]", "str", "dict[str,str]"))
    parent, name = path[:-1], str(path[-1]) if path else "the file"
    part, owner = _PARTS.get(str(path[0]) if len(path) > 1 else "", (Description, "a description"))
    if error["type"] == "missing":
        return Problem(*source.value_place(parent), f"key {name!r} is missing, {owner} needs it")
    if error["type"] == "extra_forbidden":
        return Problem(*source.keys[path], unknown_key(name, owner, list(part.model_fields)))
    if "[key]" in error["loc"]:
        return Problem(*source.keys[path], sentence(error, name_of(parent)))
    return Problem(*source.value_place(path), sentence(error, name_of(path)))
