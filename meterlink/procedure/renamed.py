"""A procedure's text under another name, with its comments as they are. Pure."""

import re

from meterlink.procedure.parse import parse_procedure
from meterlink.procedure.source import read_source

_SCALAR = re.compile(r""""[^"\\]*"|'[^']*'|[^\s#,}]+""")


def renamed(text: str, path: str, name: str) -> str:
    """Return a procedure's text as that of a new one: under that name, revision 1, and nothing else changed.

    Args:
        text: of a sound procedure.
        path: names it in errors.
        name: the new identity.

    Raises:
        ProcedureError: the text is not a sound procedure, or the name is none.
        ValueError: name or revision are not written as one plain word behind their keys.
    """
    before = parse_procedure(text, path)
    source = read_source(text, path)
    lines = text.splitlines(keepends=True)
    for key, value in (("procedure", name), ("revision", "1")):
        line, column = source.value_place((key,))
        written = lines[line - 1]
        found = _SCALAR.match(written, column - 1)
        if found:
            lines[line - 1] = _replaced(written, found.start(), found.end(), value)
    copied = "".join(lines)
    if parse_procedure(copied, name) != before.model_copy(update={"procedure": name, "revision": "1"}):
        raise ValueError(f"{path}: expected procedure and revision as plain words, such as revision: 1")
    return copied


def _replaced(line: str, start: int, end: int, value: str) -> str:
    """A line with another value; a comment behind it stays in its column where there is room."""
    behind = line[end:]
    if behind.lstrip(" ").startswith("#"):
        comment = behind.lstrip(" ")
        value = value.ljust(len(line) - len(comment) - start - 1) + " "
        behind = comment
    return f"{line[:start]}{value}{behind}"
