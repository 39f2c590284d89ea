"""Groups of steps unfolded: the flat list of steps that a procedure comes to, each with its place in the file. Pure.

Everything after this sees steps only. A step of a group has the group's conditions besides its own; in a repeated group
the names in braces are replaced in all its texts.
"""

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import cast

from pydantic import ValidationError

from meterlink.procedure.model import GroupKeys, Unfolded
from meterlink.procedure.placed import placed
from meterlink.procedure.problem import Problem, Severity
from meterlink.procedure.source import Node, Path, Place, Source

MOST_STEPS = 1000
"""More than any visit has; a repeat inside a repeat may come to more by mistake."""

_NAME = re.compile(r"\{([^{}]*)\}")


@dataclass(frozen=True, slots=True)
class Flat:
    """A procedure's steps without groups."""

    source: Source
    """The file as if its steps had been written one by one; the places are those of the file as it is."""
    groups: tuple[Unfolded, ...] = ()
    """Outer ones before inner ones."""
    problems: tuple[Problem, ...] = ()


@dataclass(frozen=True, slots=True)
class _Around:
    """What the groups around a step say for it."""

    values: Mapping[str, str]
    """By name: what it stands for in this round."""
    conditions: tuple[tuple[str, Path], ...] = ()
    """As written, each with its path in the file."""


def unfold(source: Source) -> Flat:
    """Unfold the groups of a procedure; a file without any is left as it is."""
    steps = source.get(("steps",))
    if not isinstance(steps, list) or not any(_is_group(each) for each in steps):
        return Flat(source)
    folded = _Folded(source)
    for index, entry in enumerate(steps):
        folded.take(entry, ("steps", index), _Around({}))
    return folded.flat()


def _is_group(node: Node) -> bool:
    return isinstance(node, dict) and "group" in node


class _Folded:
    """Takes the entries one by one and lays their steps in a row."""

    def __init__(self, source: Source) -> None:
        self._source = source
        self._steps: list[Node] = []
        self._groups: list[Unfolded] = []
        self._problems: dict[Problem, None] = {}
        self._values = {path: place for path, place in source.values.items() if len(path) < 2 or path[0] != "steps"}
        self._keys = {path: place for path, place in source.keys.items() if path[0] != "steps" or len(path) < 2}

    def flat(self) -> Flat:
        """What came of it. Where too much did, the steps are left out: the problem says why."""
        root = {**cast("dict[str, Node]", self._source.root), "steps": self._steps}
        source = replace(self._source, root=root, values=self._values, keys=self._keys)
        return Flat(source, tuple(self._groups), tuple(self._problems))

    def take(self, entry: Node, path: Path, around: _Around) -> None:
        """Lay down one entry: a step, or the steps of a group."""
        if isinstance(entry, dict) and "group" in entry:
            self._group(entry, path, around)
        elif len(self._steps) < MOST_STEPS:
            self._step(entry, path, around)
        else:
            self._problem(path, f"more than {MOST_STEPS} steps once the groups are unfolded")

    def _group(self, entry: dict[str, Node], path: Path, around: _Around) -> None:
        keys = {key: value for key, value in entry.items() if key != "steps"}
        try:
            read = GroupKeys.model_validate(keys)
        except ValidationError as error:
            below = _below(self._source, path)
            found = placed(below, error.errors(include_url=False), lambda _: ("a group", GroupKeys))
            self._problems.update(dict.fromkeys(found))
            return
        steps = entry.get("steps")
        if not isinstance(steps, list) or not steps:
            self._problem((*path, "steps") if "steps" in entry else path, "a group needs steps: a list of at least one")
            return
        if len({len(values) for values in read.for_.values()}) > 1:
            self._problem((*path, "for"), "the lists of the names have different lengths; they go along together")
            return
        conditions = (*around.conditions, *_conditions(entry, path))
        for values in _rounds(read.for_):
            inner = _Around({**around.values, **values}, conditions)
            place, first = len(self._groups), len(self._steps)
            title = self._replaced(entry["group"], (*path, "group"), inner)
            for index, each in enumerate(steps):
                self.take(each, (*path, "steps", index), inner)
            ids = [str(step["id"]) for step in self._steps[first:] if isinstance(step, dict) and "id" in step]
            self._groups.insert(place, Unfolded(str(title), read.any_order, tuple(ids)))

    def _step(self, entry: Node, path: Path, around: _Around) -> None:
        at: Path = ("steps", len(self._steps))
        step = self._copy(entry, path, at, around)
        if isinstance(step, dict) and around.conditions:
            own = _conditions(step, path) if isinstance(entry, dict) else ()
            all_of_them = [*around.conditions, *own]
            if len(own) == len(_listed(step.get("if"))):  # else what stands there is no condition, and is told
                step["if"] = [self._replaced(text, where, around) for text, where in all_of_them]
                places = [self._source.value_place(where) for _, where in all_of_them]
                self._values |= {(*at, "if", index): place for index, place in enumerate(places)}
                self._values.setdefault((*at, "if"), places[0])
        self._steps.append(step)

    def _copy(self, node: Node, path: Path, at: Path, around: _Around) -> Node:
        self._values[at] = self._source.values[path]
        if isinstance(node, str):
            return self._replaced(node, path, around)
        if isinstance(node, list):
            return [self._copy(each, (*path, index), (*at, index), around) for index, each in enumerate(node)]
        self._keys |= {(*at, key): self._source.keys[*path, key] for key in node}
        return {key: self._copy(each, (*path, key), (*at, key), around) for key, each in node.items()}

    def _replaced(self, text: Node, path: Path, around: _Around) -> Node:
        """Put values in the place of names; in a repeated group a name that nothing gives is a mistake."""
        if not isinstance(text, str) or not around.values:
            return text
        for name in _NAME.findall(text):
            if name not in around.values:
                known = ", ".join(f"{{{each}}}" for each in around.values)
                self._problem(path, f"{{{name}}} is not given by the group's for; known are {known}")
        return _NAME.sub(lambda match: around.values.get(match[1], match[0]), text)

    def _problem(self, path: Path, message: str) -> None:
        self._problems[Problem(*self._source.value_place(path), message, Severity.ERROR)] = None


def _conditions(entry: Mapping[str, Node], path: Path) -> tuple[tuple[str, Path], ...]:
    """What stands under `if`, with the path of each; what is no text is left out."""
    written = entry.get("if")
    if isinstance(written, str):
        return ((written, (*path, "if")),)
    texts = _listed(written)
    return tuple((text, (*path, "if", index)) for index, text in enumerate(texts) if isinstance(text, str))


def _listed(written: Node | None) -> list[Node]:
    if written is None:
        return []
    return written if isinstance(written, list) else [written]


def _rounds(names: Mapping[str, tuple[str, ...]]) -> Iterator[Mapping[str, str]]:
    """The values of each round; one round without values where nothing is repeated."""
    if not names:
        yield {}
        return
    for values in zip(*names.values(), strict=True):
        yield dict(zip(names, values, strict=True))


def _below(source: Source, path: Path) -> Source:
    """A part of a file as if it were a file of its own."""

    def cut(places: Mapping[Path, Place]) -> dict[Path, Place]:
        return {each[len(path) :]: place for each, place in places.items() if each[: len(path)] == path}

    return replace(source, values=cut(source.values), keys=cut(source.keys))
