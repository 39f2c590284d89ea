"""The values that the keys of files may have, as the models of files use them."""

import re
from collections.abc import Sequence
from decimal import Decimal
from typing import Annotated, Any, NamedTuple

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    PlainValidator,
    StringConstraints,
    WithJsonSchema,
)
from pydantic_core import PydanticCustomError

from meterlink.limits import Limits, Quantity, parse_limits, parse_quantity
from meterlink.reading import Function


def _or_number(schema: dict[str, Any]) -> None:
    """Say that `point: 12` is as good as `point: "12"`: an editor sees a number, the loader always text."""
    schema["type"] = ["string", "number"]


def optional(schema: dict[str, Any]) -> None:
    """Say that the key may be absent, and not that it may be null."""
    (kind,) = (each for each in schema.pop("anyOf") if each != {"type": "null"})
    del schema["default"]
    schema.update(kind)


Text = Annotated[
    str,
    StringConstraints(strip_whitespace=True, min_length=1, max_length=2000),
    Field(json_schema_extra=_or_number),
]
Slug = Annotated[
    str,
    StringConstraints(pattern=r"^[A-Za-z0-9][A-Za-z0-9._-]*$", max_length=64),
    Field(json_schema_extra=_or_number),
]


def _limits(value: object) -> Limits:
    if isinstance(value, Limits):
        return value
    if not isinstance(value, str):
        raise ValueError("expected limits as text, such as 22.0..29.0 V")
    return parse_limits(value)


def _within(value: object) -> Limits:
    if isinstance(value, Limits):
        return value
    if not isinstance(value, str):
        raise ValueError("expected a difference as text, such as 0.3 V")
    size, unit = parse_quantity(value)
    if size < 0:
        raise ValueError(f"{value!r}: a difference must not be negative")
    return Limits(value.strip(), low=-size, high=size, unit=unit)


def _quantity(value: object, units: Sequence[str], what: str) -> Quantity:
    if isinstance(value, Quantity):
        return value
    if not isinstance(value, str):
        raise ValueError(f"expected {what}")
    found = parse_quantity(value)
    if found.value <= 0 or (units and found.unit not in units):
        raise ValueError(f"{value!r}: expected {what}")
    return found


def _max_uncertainty(value: object) -> Quantity:
    return _quantity(value, (), "an uncertainty above 0, such as 0.2 V, or 10 % of the width between the limits")


def _source_resistance(value: object) -> Quantity:
    return _quantity(value, ("Ohm",), "a resistance above 0, such as 10 kOhm")


def _coverage(value: object) -> Decimal:
    if isinstance(value, Decimal):
        return value
    what = "a share such as 95 %, from 50 % to 99.99 %"
    share = _quantity(value, ("%",), what).value / 100
    if not Decimal("0.5") <= share <= Decimal("0.9999"):
        raise ValueError(f"{value!r}: expected {what}")
    return share


def _coverage_factor(value: object) -> Decimal:
    if isinstance(value, Decimal):
        return value
    if not (isinstance(value, str) and _FACTOR.fullmatch(value) and 1 <= Decimal(value) <= 10):
        raise ValueError(f"{value!r}: expected a coverage factor from 1 to 10, such as 2")
    return Decimal(value)


_FACTOR = re.compile(r"[0-9]{1,2}(\.[0-9]{1,6})?", re.ASCII)


def as_list(value: object) -> object:
    """Take one text for a list of it."""
    return (value,) if isinstance(value, str) else value


_LIMITS = [
    "22.0..29.0 V",
    "24 V ± 10 %",
    "<= 0.5 Ohm",
    ">= 1 MOhm",
    "OL",
    "within 0.3 V of G1",
    "0..0.3 V below G1",
]
LimitsField = Annotated[
    Limits,
    PlainValidator(_limits),
    WithJsonSchema({"type": "string", "examples": _LIMITS}),
]
MaxUncertaintyField = Annotated[
    Quantity, PlainValidator(_max_uncertainty), WithJsonSchema({"type": "string", "examples": ["0.2 V", "10 %"]})
]
SourceResistanceField = Annotated[
    Quantity, PlainValidator(_source_resistance), WithJsonSchema({"type": "string", "examples": ["10 kOhm"]})
]
CoverageField = Annotated[Decimal, PlainValidator(_coverage), WithJsonSchema({"type": "string", "examples": ["95 %"]})]
CoverageFactorField = Annotated[
    Decimal, PlainValidator(_coverage_factor), WithJsonSchema({"type": ["string", "number"], "examples": [2]})
]
WithinField = Annotated[Limits, PlainValidator(_within), WithJsonSchema({"type": "string", "examples": ["0.3 V"]})]


def _judged(functions: tuple[Function, ...]) -> tuple[Function, ...]:
    for function in functions:
        if not function.judged:
            raise ValueError(f"{function.value!r} cannot be judged; expected one of {', '.join(_JUDGED)}")
    return functions


_JUDGED = [function.value for function in Function if function.judged]
Functions = Annotated[
    tuple[Function, ...],
    BeforeValidator(as_list),
    AfterValidator(_judged),
    Field(min_length=1),
    WithJsonSchema({"anyOf": [{"enum": _JUDGED}, {"type": "array", "minItems": 1, "items": {"enum": _JUDGED}}]}),
]


class Part(BaseModel):
    """Keys that are not known are refused, and nothing changes once it is read."""

    model_config = ConfigDict(extra="forbid", frozen=True)


_SLUG = r"[A-Za-z0-9][A-Za-z0-9._-]*"

StepSlug = Annotated[
    str,
    StringConstraints(pattern=rf"^{_SLUG}$", max_length=64),
    WithJsonSchema({"type": ["string", "number"], "pattern": "^[A-Za-z0-9{][A-Za-z0-9._{}-]*$", "maxLength": 100}),
]
"""A slug in a step; in a repeated group it may hold names in braces, which are gone once the group is unfolded."""


def _yes_or_no(value: object) -> bool:
    if isinstance(value, bool):
        return value
    words = {"yes": True, "true": True, "no": False, "false": False}
    if str(value).lower() not in words:
        raise ValueError(f"{value!r}: expected yes or no")
    return words[str(value).lower()]


YesNo = Annotated[bool, PlainValidator(_yes_or_no), WithJsonSchema({"enum": ["yes", "no", True, False]})]


def _duration(value: object) -> Quantity:
    return _quantity(value, ("s",), "a time above 0, such as 10 s or 500 ms")


DurationField = Annotated[Quantity, PlainValidator(_duration), WithJsonSchema({"type": "string", "examples": ["10 s"]})]


def _times(value: object) -> int:
    if not re.fullmatch("[0-9]{1,2}", str(value), re.ASCII) or not 1 <= int(str(value)) <= _MOST_TIMES:
        raise ValueError(f"{value!r}: expected a whole number from 1 to {_MOST_TIMES}")
    return int(str(value))


_MOST_TIMES = 50
Times = Annotated[
    int, PlainValidator(_times), WithJsonSchema({"type": "integer", "minimum": 1, "maximum": _MOST_TIMES})
]

GO_TO = "go-to "
"""How an `on_fail` begins that leads to another step."""


def _on_fail(value: object) -> str:
    text = value if isinstance(value, str) else ""
    if text in _ON_FAIL or re.fullmatch(rf"{GO_TO}{_SLUG}", text):
        return text
    expected = f"{', '.join(map(repr, _ON_FAIL))} or 'go-to ID'"
    raise PydanticCustomError("literal_error", "expected {expected}", {"expected": expected})


_ON_FAIL = ("continue", "stop", "find")
OnFail = Annotated[
    str,
    PlainValidator(_on_fail),
    WithJsonSchema({"anyOf": [{"enum": list(_ON_FAIL)}, {"type": "string", "pattern": f"^{GO_TO}\\S+$"}]}),
]


class Condition(NamedTuple):
    """An answer upon which a step is asked for."""

    ask: str
    """The id of the step that asks."""
    yes: bool

    def __str__(self) -> str:
        return self.ask if self.yes else f"not {self.ask}"


def _condition(value: object) -> Condition:
    if isinstance(value, Condition):
        return value
    match = re.fullmatch(rf"(not )?({_SLUG})", value) if isinstance(value, str) else None
    if match is None:
        raise ValueError("expected the id of an ask step, or not and its id, such as not lower-door")
    return Condition(match[2], yes=match[1] is None)


Conditions = Annotated[
    tuple[Annotated[Condition, PlainValidator(_condition)], ...],
    BeforeValidator(as_list),
    WithJsonSchema({"anyOf": [{"type": "string"}, {"type": "array", "items": {"type": "string"}}]}),
]

LastSteps = Annotated[
    tuple[StepSlug, ...],
    BeforeValidator(as_list),
    Field(max_length=2),
    WithJsonSchema({"anyOf": [{"type": "string"}, {"type": "array", "items": {"type": "string"}, "maxItems": 2}]}),
]

RoundName = Annotated[str, StringConstraints(pattern=r"^[a-z][a-z0-9-]*$", max_length=32)]
Rounds = dict[RoundName, Annotated[tuple[Text, ...], Field(min_length=1)]]
"""By name: the values that it stands for, one a round."""
