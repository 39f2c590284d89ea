"""The YAML of a procedure file as text, lists and mappings, with the place of each part.

A small part of YAML is enough, and a file may come from anyone. So aliases, anchors, tags, further documents, deep
nesting and very many entries are refused at the first one, before they cost anything; nothing is ever constructed.
Every scalar stays text: `point: 12` and `id: on` are a name, not a number and a truth.
"""

import re
from dataclasses import dataclass
from typing import NoReturn

from yaml.error import Mark, MarkedYAMLError
from yaml.events import (
    AliasEvent,
    Event,
    MappingEndEvent,
    NodeEvent,
    ScalarEvent,
    SequenceEndEvent,
    SequenceStartEvent,
    StreamEndEvent,
)
from yaml.parser import Parser
from yaml.reader import Reader
from yaml.scanner import Scanner

from meterlink.procedure.problem import Problem, ProcedureError

MAX_DEPTH = 20
"""Levels of nesting; a procedure has four."""
MAX_NODES = 20_000
"""Keys and values; a procedure with a thousand steps has about that many."""

Node = str | list["Node"] | dict[str, "Node"]
Path = tuple[str | int, ...]
Place = tuple[int, int]
"""Line and column, both from 1."""

# The characters that YAML 1.2.2, section 5.1, calls printable, less those that a reader cannot see doing their work:
# C1 controls, line and paragraph separators, direction overrides and isolates, byte order marks inside.
_UNFIT = re.compile(
    "[^\t\n\r\x20-\x7e\xa0-\u2027\u202f-\u2065\u206a-\ud7ff\ue000-\ufefe\uff00-\ufffd\U00010000-\U0010ffff]"
)


@dataclass(frozen=True, slots=True)
class Source:
    """A procedure file, read but not yet understood."""

    root: Node
    values: dict[Path, Place]
    """Where each value begins; a mapping begins at its first key."""
    keys: dict[Path, Place]
    """Where each key begins."""
    bare_comparisons: list[Place]
    """Where a text begins with `>=` outside quotes."""

    def value_place(self, path: Path) -> Place:
        """Where the value at the path begins, or the nearest part around it that exists."""
        while path not in self.values:
            path = path[:-1]
        return self.values[path]

    def get(self, path: Path) -> Node | None:
        """The part at the path; None where there is none."""
        node: Node | None = self.root
        for part in path:
            if isinstance(node, dict) and isinstance(part, str):
                node = node.get(part)
            elif isinstance(node, list) and isinstance(part, int):
                node = node[part]
            else:
                return None
        return node


def begins_with(key: str, text: str) -> bool:
    """Whether the first key of a YAML text is this one: it says what kind of file it means to be."""
    return re.match(rf"""(?:\s|\#.*\n|---[ ]*\n|\{{)*["']?{key}["']?\s*:""", text) is not None


def read_source(text: str, path: str, what: str = "a procedure") -> Source:
    """Read the text of a procedure file, or of another that errors shall call `what`.

    Raises:
        ProcedureError: at the first thing that is not plain YAML of one document.
    """
    unfit = _UNFIT.search(text)
    if unfit:
        line_start = text.rfind("\n", 0, unfit.start()) + 1
        place = text.count("\n", 0, unfit.start()) + 1, unfit.start() - line_start + 1
        raise ProcedureError(path, [Problem(*place, _unfit_sentence(unfit[0]))])
    return _Composer(text, path, what).compose()


class _Events(Reader, Scanner, Parser):
    """PyYAML's own scanner and parser, but a text may begin with `>=`, which YAML takes for a broken folded block."""

    def __init__(self, text: str) -> None:
        self.bare_comparisons: list[Place] = []
        Reader.__init__(self, text)
        Scanner.__init__(self)
        Parser.__init__(self)

    def fetch_folded(self) -> None:
        if self.prefix(2) == ">=":
            self.fetch_plain()
        else:
            super().fetch_folded()

    def check_plain(self) -> bool:
        return self.prefix(2) == ">=" or bool(super().check_plain())

    def fetch_plain(self) -> None:
        if self.peek() == ">":
            self.bare_comparisons.append(_place(self.get_mark()))
        super().fetch_plain()

    def take(self) -> Event:
        event: Event = self.get_event()  # type: ignore[no-untyped-call]
        return event

    def at_end(self, kind: type[Event]) -> bool:
        return bool(self.check_event(kind))


class _Composer:
    """Turns events into nodes, and stops at the first thing that is not wanted."""

    def __init__(self, text: str, path: str, what: str) -> None:
        self._events = _Events(text)
        self._path = path
        self._what = what
        self._nodes = 0
        self._values: dict[Path, Place] = {}
        self._keys: dict[Path, Place] = {}

    def compose(self) -> Source:
        try:
            self._events.take()  # the stream's start
            start = self._events.take()
            if isinstance(start, StreamEndEvent):
                self._refuse((1, 1), f"the file is empty; expected {self._what}")
            root = self._node((), 1)
            self._events.take()  # the document's end
            after = self._events.take()
            if not isinstance(after, StreamEndEvent):
                self._refuse(_place(after.start_mark), "a second document; expected one a file")
        except MarkedYAMLError as error:
            mark = error.problem_mark or error.context_mark or self._events.get_mark()
            self._refuse(_place(mark), f"not valid YAML: {error.problem or error.context}")
        except (ValueError, OverflowError):  # a number in an escape or a directive that Python cannot hold
            self._refuse(_place(self._events.get_mark()), "not valid YAML: a number here is too large")
        return Source(root, self._values, self._keys, self._events.bare_comparisons)

    def _node(self, path: Path, depth: int) -> Node:
        event = self._next()
        place = self._values[path] = _place(event.start_mark)
        if isinstance(event, ScalarEvent):
            return self._text(event)
        if depth > MAX_DEPTH:
            self._refuse(place, f"nested deeper than {MAX_DEPTH} levels")
        if isinstance(event, SequenceStartEvent):
            return self._list(path, depth)
        return self._mapping(path, depth)

    def _list(self, path: Path, depth: int) -> Node:
        items: list[Node] = []
        while not self._events.at_end(SequenceEndEvent):
            items.append(self._node((*path, len(items)), depth + 1))
        self._events.take()
        return items

    def _mapping(self, path: Path, depth: int) -> Node:
        entries: dict[str, Node] = {}
        while not self._events.at_end(MappingEndEvent):
            event = self._next()
            place = _place(event.start_mark)
            if not isinstance(event, ScalarEvent):
                self._refuse(place, "a list or mapping stands as a key; expected text")
            key = self._text(event)
            if key in entries:
                first = self._keys[*path, key]
                self._refuse(place, f"key {key!r} is given twice; the first is in line {first[0]}")
            self._keys[*path, key] = place
            entries[key] = self._node((*path, key), depth + 1)
        self._events.take()
        return entries

    def _next(self) -> NodeEvent:
        event = self._events.take()
        assert isinstance(event, NodeEvent)  # noqa: S101 - the parser gives nothing else between start and end
        place = _place(event.start_mark)
        self._nodes += 1
        if self._nodes > MAX_NODES:
            self._refuse(place, f"more than {MAX_NODES} keys and values; expected {self._what}")
        if isinstance(event, AliasEvent):
            self._refuse(place, f"alias *{event.anchor}: aliases are not allowed; write the value out")
        if event.anchor is not None:
            self._refuse(place, f"anchor &{event.anchor}: anchors are not allowed; write each value out")
        tag: str | None = getattr(event, "tag", None)
        if tag is not None:
            self._refuse(place, f"tag {tag}: tags are not allowed; every value is text, a list or a mapping")
        return event

    def _text(self, event: ScalarEvent) -> str:
        value = str(event.value)
        unfit = _UNFIT.search(value)  # from an escape in double quotes
        if unfit:
            self._refuse(_place(event.start_mark), _unfit_sentence(unfit[0]))
        return value

    def _refuse(self, place: Place, message: str) -> NoReturn:
        raise ProcedureError(self._path, [Problem(*place, message)])


def _unfit_sentence(character: str) -> str:
    return f"character U+{ord(character):04X} cannot be seen or printed; delete it"


def _place(mark: object) -> Place:
    assert isinstance(mark, Mark)  # noqa: S101 - the pure parser marks every event
    return mark.line + 1, mark.column + 1
