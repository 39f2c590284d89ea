"""What is wrong with a part of a file, in words for people: from pydantic's account of it. Pure."""

import difflib
import re
import textwrap

from pydantic_core import ErrorDetails

from meterlink.procedure.source import Node, Path

_SENTENCES = {
    "string_type": "{name}: found {found}, expected text",
    "string_too_short": "{name} is empty, expected text",
    "string_too_long": "{name} is longer than {max_length} characters",
    "string_pattern_mismatch": "{name} {value}: expected letters, digits, '.', '_' and '-', a letter or digit first",
    "tuple_type": "{name}: found {found}, expected a list",
    "too_short": "{name} is an empty list, expected at least one entry",
    "dict_type": "{name}: found {found}, expected keys with values",
    "model_type": "{name}: found {found}, expected keys with values",
    "model_attributes_type": "{name}: found {found}, expected keys with values",
    "value_error": "{name}: {error}",
    "enum": "{name} {value} is not known, expected {expected}",
    "literal_error": "{name} {value} is not known, expected {expected}",
    "union_tag_invalid": "kind {tag!r} is not known, expected {expected_tags}",
}
"""What a user is told, by pydantic's type of error."""


def name_of(path: Path) -> str:
    """The key that a part stands under; an entry of a list goes by the list's key."""
    return next((part for part in reversed(path) if isinstance(part, str)), "the file")


def sentence(error: ErrorDetails, name: str) -> str:
    """Say what pydantic found wrong with the part of that name."""
    context = error.get("ctx", {})
    words = _SENTENCES.get(error["type"], "{name}: " + error["msg"].replace("{", "{{").replace("}", "}}"))
    value = textwrap.shorten(repr(error["input"]), 80, placeholder="...'")
    found = _kind_of(error["input"])
    return words.format(**{"name": name, "value": value, "found": found, **context}) + _suggestion(error)


def _suggestion(error: ErrorDetails) -> str:
    context = error.get("ctx", {})
    known = re.findall(r"'([^']+)'", str(context.get("expected") or context.get("expected_tags") or ""))
    return did_you_mean(str(context.get("tag") or error["input"]), known)


def did_you_mean(written: str, known: list[str]) -> str:
    """Suggest the known word nearest to what was written; empty where none is near."""
    near = difflib.get_close_matches(written[:80], known, n=1)
    return f"; did you mean {near[0]!r}?" if near else ""


def _kind_of(node: Node) -> str:
    return {str: "text", list: "a list", dict: "keys with values"}[type(node)]
