"""From the text of a circuit file to a circuit, or to every problem in it with its place. Pure."""

from dataclasses import dataclass
from typing import get_args

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from meterlink.circuit.lint import lint
from meterlink.circuit.model import CircuitFile, Element, PointFile, Showing, SituationFile, SymptomFile
from meterlink.circuit.parts import Circuit, compiled
from meterlink.procedure.lint import found
from meterlink.procedure.placed import Owner, placed
from meterlink.procedure.problem import Problem, ProcedureError, Severity
from meterlink.procedure.source import Path, Source, begins_with, read_source

_CLASSES: dict[str, type[BaseModel]] = {
    get_args(each.model_fields["kind"].annotation)[0]: each for each in get_args(get_args(Element)[0])
}
_PARTS: dict[str, Owner] = {
    "points": ("a point", PointFile),
    "situations": ("a situation", SituationFile),
    "symptoms": ("a symptom", SymptomFile),
}


@dataclass(frozen=True, slots=True)
class ExaminedCircuit:
    """What a text turned out to be."""

    circuit: Circuit | None
    """None where there is an error."""
    problems: tuple[Problem, ...]
    """Errors and warnings, in the order of the file."""


def is_circuit(text: str) -> bool:
    """Whether a YAML text means to be a circuit: its first key says so."""
    return begins_with("circuit", text)


def parse_circuit(text: str, path: str) -> Circuit:
    """Read a circuit from the text of its file; `path` only names it in errors.

    Raises:
        ProcedureError: with every error of the file.
    """
    examined = examine_circuit(text, path)
    if examined.circuit is None:
        raise ProcedureError(path, [each for each in examined.problems if each.severity is Severity.ERROR])
    return examined.circuit


def examine_circuit(text: str, path: str) -> ExaminedCircuit:
    """Read a circuit and collect its problems, warnings too."""
    try:
        source = read_source(text, path, "a circuit")
    except ProcedureError as error:
        return ExaminedCircuit(None, error.problems)
    try:
        file = CircuitFile.model_validate(source.root)
    except ValidationError as error:
        details = [_without_kind(source, each) for each in error.errors(include_url=False)]
        problems = placed(source, details, lambda path: _owner(source, path))
        return ExaminedCircuit(None, tuple(sorted(problems)))
    problems = found(source, lint(file))
    sound = all(each.severity is Severity.WARNING for each in problems)
    return ExaminedCircuit(compiled(file) if sound else None, tuple(sorted(problems)))


def _without_kind(source: Source, error: ErrorDetails) -> ErrorDetails:
    """Leave out the kind of element, which pydantic puts behind its position, and point at a kind that is wrong."""
    loc = error["loc"]
    if loc[0:1] != ("elements",) or len(loc) < 2:
        return error
    if error["type"] in ("union_tag_not_found", "union_tag_invalid"):
        if error["type"] == "union_tag_not_found":
            return {**error, "type": "missing", "loc": (*loc[:2], "kind")}
        return {**error, "loc": (*loc[:2], "kind")}
    return {**error, "loc": loc[:2] + loc[3:]}


def _owner(source: Source, path: Path) -> Owner:
    match path:
        case ("elements", _, *_):
            kind = str(source.get((*path[:2], "kind")))
            name = f"{'an' if kind[0] in 'aeiou' else 'a'} {kind}" if kind in _CLASSES else "an element"
            return name, _CLASSES.get(kind, CircuitFile)
        case ("symptoms", _, "shows", _):
            return "an entry of shows", Showing
        case (part, _, *_) if part in _PARTS:
            return _PARTS[str(part)]
        case _:
            return "a circuit", CircuitFile
