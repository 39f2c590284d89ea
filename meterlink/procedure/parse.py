"""From the text of a procedure file to a procedure, or to every problem in it with its place. Pure."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import get_args

from pydantic import BaseModel, TypeAdapter, ValidationError
from pydantic_core import ErrorDetails

from meterlink.procedure.kind_sense import kind_findings
from meterlink.procedure.kinds import KnownSource
from meterlink.procedure.lint import Finding, found, lint, procedure_findings, step_of_kind
from meterlink.procedure.model import Judging, Procedure, Reference, Step, Uncaught
from meterlink.procedure.problem import Problem, ProcedureError, Severity
from meterlink.procedure.sentences import name_of, sentence, unknown_key
from meterlink.procedure.source import Path, Source, read_source
from meterlink.procedure.unfold import unfold

_STEP_CLASSES: dict[str, type[BaseModel]] = {
    get_args(each.model_fields["kind"].annotation)[0]: each for each in get_args(get_args(Step)[0])
}
KINDS = tuple(_STEP_CLASSES)
"""The kinds of step, as `kind` says them."""
_STEP: TypeAdapter[Step] = TypeAdapter(Step)


@dataclass(frozen=True, slots=True)
class Examined:
    """What a text turned out to be."""

    procedure: Procedure | None
    """None where there is an error."""
    problems: tuple[Problem, ...]
    """Errors and warnings, in the order of the file."""


def parse_procedure(text: str, path: str) -> Procedure:
    """Read a procedure from the text of its file; `path` only names it in errors.

    Raises:
        ProcedureError: with every error of the file.
    """
    examined = examine(text, path)
    if examined.procedure is None:
        raise ProcedureError(path, [each for each in examined.problems if each.severity is Severity.ERROR])
    return examined.procedure


def examine(text: str, path: str) -> Examined:
    """Read a procedure and collect its problems, warnings too.

    What is not plain YAML ends the examination at once; otherwise each step is checked as far as it can be read.
    """
    try:
        flat = unfold(read_source(text, path))
    except ProcedureError as error:
        return Examined(None, error.problems)
    source = flat.source
    problems = [*(_quote_warning(*place) for place in source.bare_comparisons), *flat.problems]
    if flat.problems:
        return Examined(None, _in_order(problems))
    try:
        procedure = Procedure.model_validate(source.root).grouped(flat.groups)
    except ValidationError as error:
        # pydantic also calls a list too short whose entries are all wrong; only an empty one is.
        details = [each for each in error.errors(include_url=False) if each["type"] != "too_short" or not each["input"]]
        problems += [_placed(source, each) for each in details]
        problems += found(source, _lint_readable_part(source, details))
        return Examined(None, _in_order(problems))
    findings = [
        *procedure_findings(procedure),
        *lint(dict(enumerate(procedure.steps)), procedure.references),
        *kind_findings(procedure),
    ]
    problems += found(source, findings)
    sound = all(each.severity is Severity.WARNING for each in problems)
    return Examined(procedure if sound else None, _in_order(problems))


def unfolded_source(text: str, path: str) -> Source:
    """Read the text of a sound procedure: its steps one by one, with their places in the file.

    Raises:
        ProcedureError: it is not plain YAML.
    """
    return unfold(read_source(text, path)).source


def _in_order(problems: Iterable[Problem]) -> tuple[Problem, ...]:
    """The problems in the order of the file; what comes in each round of a group is told once."""
    return tuple(sorted(set(problems)))


def _quote_warning(line: int, column: int) -> Problem:
    return Problem(line, column, "put >= in quotes: other YAML tools refuse it bare", Severity.WARNING)


def _lint_readable_part(source: Source, details: list[ErrorDetails]) -> Iterator[Finding]:
    """Check the steps that are whole, so that one run shows all problems."""
    steps = source.get(("steps",))
    if not isinstance(steps, list):
        return iter(())
    broken = {each["loc"][1] for each in details if each["loc"][0:1] == ("steps",) and len(each["loc"]) > 1}
    whole = {index: _STEP.validate_python(step) for index, step in enumerate(steps) if index not in broken}
    unread = {str(step.get("id")) for index, step in enumerate(steps) if index in broken and isinstance(step, dict)}
    return lint(whole, _references(source, details), unread or {""})


def _references(source: Source, details: list[ErrorDetails]) -> tuple[Reference, ...]:
    if any(each["loc"][0:1] == ("references",) for each in details):
        return ()
    return TypeAdapter(tuple[Reference, ...]).validate_python(source.get(("references",)) or ())


def _placed(source: Source, error: ErrorDetails) -> Problem:
    path = _path(error["loc"])
    parent, name = path[:-1], str(path[-1]) if path else "the file"
    if error["type"] == "missing":
        owner = _owner(source, parent)
        return Problem(*source.value_place(parent), f"key {name!r} is missing, {owner} needs it")
    if error["type"] == "extra_forbidden":
        return Problem(*source.keys[path], _unknown_key(source, parent, name))
    if error["type"] == "union_tag_not_found":
        return Problem(*source.value_place(path), f"key 'kind' is missing, expected {_any_of(list(KINDS))}")
    if error["type"] == "union_tag_invalid":
        path = (*path, "kind")
    return Problem(*source.value_place(path), sentence(error, name_of(path)))


def _path(loc: tuple[int | str, ...]) -> Path:
    """Leave out the kind of step, which pydantic puts behind the step's position."""
    return loc[:2] + loc[3:] if loc[0:1] == ("steps",) else loc


def _unknown_key(source: Source, parent: Path, name: str) -> str:
    known = [field.alias or key for key, field in _model(source, parent).model_fields.items()]
    return unknown_key(name, _owner(source, parent), known)


def _model(source: Source, path: Path) -> type[BaseModel]:
    match path:
        case ("steps", _):
            return _STEP_CLASSES[str(source.get((*path, "kind")))]
        case ("steps", _, "known"):
            return KnownSource
        case ("references", _):
            return Reference
        case ("uncaught", _):
            return Uncaught
        case (*_, "judging"):
            return Judging
        case _:
            return Procedure


def _owner(source: Source, path: Path) -> str:
    match path:
        case ("steps", _):
            return step_of_kind(str(source.get((*path, "kind"))))
        case ("steps", _, "known"):
            return "a known source"
        case ("references", _):
            return "a reference"
        case ("uncaught", _):
            return "an entry of uncaught"
        case (*_, "judging"):
            return "judging"
        case _:
            return "a procedure"


def _any_of(words: list[str]) -> str:
    return f"{', '.join(words[:-1])} or {words[-1]}"
