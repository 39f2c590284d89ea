"""What a user is told about a key or value that does not fit its model: pydantic's errors in plain words. Pure."""

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
    "model_type": "{name}: found {found}, expected keys with values",
    "model_attributes_type": "{name}: found {found}, expected keys with values",
    "value_error": "{name}: {error}",
    "int_parsing": "{name} {value}: expected a whole number",
    "int_type": "{name}: found {found}, expected a whole number",
    "bool_parsing": "{name} {value}: expected true or false",
    "dict_type": "{name}: found {found}, expected keys with values",
    "greater_than_equal": "{name} {value}: expected at least {ge}",
    "less_than_equal": "{name} {value}: expected at most {le}",
    "enum": "{name} {value} is not known, expected {expected}",
    "literal_error": "{name} {value} is not known, expected {expected}",
    "union_tag_invalid": "kind {tag!r} is not known, expected {expected_tags}",
}
"""What a user is told, by pydantic's type of error."""


def name_of(path: Path) -> str:
    """The key that a part stands under; an entry of a list goes by the list's key."""
    return next((part for part in reversed(path) if isinstance(part, str)), "the file")


def sentence(error: ErrorDetails, name: str) -> str:
    """Say what is wrong with the value of a key."""
    context = error.get("ctx", {})
    pattern = _SENTENCES.get(error["type"], "{name}: " + error["msg"].replace("{", "{{").replace("}", "}}"))
    value = textwrap.shorten(repr(error["input"]), 80, placeholder="...'")
    found = _kind_of(error["input"])
    return pattern.format(**{"name": name, "value": value, "found": found, **context}) + _suggestion(error)


def unknown_key(name: str, owner: str, known: list[str]) -> str:
    """Say that a key is not known, and what it may have been meant for."""
    hint = _did_you_mean(name, known) or f"; known are {', '.join(known)}"
    return f"key {textwrap.shorten(name, 60)!r} is not known in {owner}{hint}"


def _suggestion(error: ErrorDetails) -> str:
    context = error.get("ctx", {})
    known = re.findall(r"'([^']+)'", str(context.get("expected") or context.get("expected_tags") or ""))
    return _did_you_mean(str(context.get("tag") or error["input"]), known)


def _did_you_mean(written: str, known: list[str]) -> str:
    near = difflib.get_close_matches(written[:80], known, n=1)
    return f"; did you mean {near[0]!r}?" if near else ""


def _kind_of(node: Node | tuple[object, ...]) -> str:
    return {str: "text", list: "a list", tuple: "a list", dict: "keys with values"}[type(node)]
