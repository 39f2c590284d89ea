"""What does not fit a model of a file that people write, each with its place. Pure."""

from collections.abc import Callable, Iterable

from pydantic import BaseModel
from pydantic_core import ErrorDetails

from meterlink.procedure.problem import Problem
from meterlink.procedure.sentences import name_of, sentence, unknown_key
from meterlink.procedure.source import Path, Source

Owner = tuple[str, type[BaseModel]]
"""What a part of a file is called in errors, and the keys it may have."""


def placed(source: Source, errors: Iterable[ErrorDetails], owner_of: Callable[[Path], Owner]) -> list[Problem]:
    """Say what does not fit a model, each with its place.

    Args:
        source: the file.
        errors: what pydantic found.
        owner_of: names the part at a path.
    """
    # pydantic also calls a list too short whose entries are all wrong; only an empty one is.
    return [_placed(source, each, owner_of) for each in errors if each["type"] != "too_short" or not each["input"]]


def _placed(source: Source, error: ErrorDetails, owner_of: Callable[[Path], Owner]) -> Problem:
    path: Path = tuple(part for part in error["loc"] if part != "[key]")
    parent, name = path[:-1], str(path[-1]) if path else "the file"
    owner, model = owner_of(parent)
    if error["type"] == "missing":
        return Problem(*source.value_place(parent), f"key {name!r} is missing, {owner} needs it")
    if error["type"] == "extra_forbidden":
        known = [field.alias or key for key, field in model.model_fields.items()]
        return Problem(*source.keys[path], unknown_key(name, owner, known))
    if "[key]" in error["loc"]:
        return Problem(*source.keys[path], sentence(error, name_of(parent)))
    return Problem(*source.value_place(path), sentence(error, name_of(path)))
