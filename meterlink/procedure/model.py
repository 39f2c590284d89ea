"""The procedure file as data. One class a kind of step; the field descriptions are the file format's documentation."""

from typing import Annotated, Any, Literal

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

from meterlink.limits import Limits, parse_limits, parse_quantity
from meterlink.reading import Function


def _or_number(schema: dict[str, Any]) -> None:
    """Say that `point: 12` is as good as `point: "12"`: an editor sees a number, the loader always text."""
    schema["type"] = ["string", "number"]


def _optional(schema: dict[str, Any]) -> None:
    """Say that the key may be absent, and not that it may be null."""
    (text,) = (each for each in schema.pop("anyOf") if each != {"type": "null"})
    del schema["default"]
    schema.update(text)


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


def _as_list(value: object) -> object:
    return (value,) if isinstance(value, str) else value


LimitsField = Annotated[
    Limits,
    PlainValidator(_limits),
    WithJsonSchema({"type": "string", "examples": ["22.0..29.0 V", "24 V ± 10 %", "<= 0.5 Ohm", ">= 1 MOhm", "OL"]}),
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
    BeforeValidator(_as_list),
    AfterValidator(_judged),
    Field(min_length=1),
    WithJsonSchema({"anyOf": [{"enum": _JUDGED}, {"type": "array", "minItems": 1, "items": {"enum": _JUDGED}}]}),
]


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class _Step(_Part):
    id: Slug = Field(description="Names the step in the record; letters, digits, hyphens, dots and underscores.")
    point: Text = Field(description="The test point or part, tagged as on the drawing (IEC 81346 letter codes).")
    say: Text | None = Field(
        None,
        description="What is said when the step begins, instead of the standard sentence.",
        json_schema_extra=_optional,
    )
    remedy: Text | None = Field(
        None,
        description="What to do when the step fails: what lies between the last good point and this one.",
        json_schema_extra=_optional,
    )
    on_fail: Literal["continue", "stop"] = Field("continue", description="Whether the job goes on after a fail.")


class MeasuredStep(_Step):
    """A step that the meter judges."""

    reference: Text = Field(description="Where the black lead is.")
    measure: Functions = Field(description="What the meter's dial must select; a list where several will do.")


class ReadingStep(MeasuredStep):
    """Accepts a settled value inside limits."""

    kind: Literal["reading"]
    limits: LimitsField = Field(description="What is accepted, ends included.")


class AgreeStep(MeasuredStep):
    """Accepts a settled value that is the same, within a difference, as that of an earlier step."""

    kind: Literal["agree"]
    with_: Slug = Field(alias="with", description="The id of the earlier step to agree with.")
    within: WithinField = Field(description="The greatest difference accepted, such as 0.3 V.")


class LookStep(_Step):
    """Something seen and answered with yes (confirm) or no (refuse); the meter never judges it."""

    kind: Literal["look"]
    ask: Text = Field(description="The question, which yes answers with a pass.")


Step = Annotated[ReadingStep | AgreeStep | LookStep, Field(discriminator="kind")]


class Reference(_Part):
    """A place for the black lead."""

    name: Text = Field(description="As the steps write it.")
    where: Text = Field(description="Where it is and how to make contact there.")


class Procedure(_Part):
    """One procedure: what to touch, in which order, and what each point must read."""

    procedure: Slug = Field(description="The procedure's identity.")
    title: Text = Field(description="What the technician reads and hears.")
    revision: Annotated[str, StringConstraints(strip_whitespace=True, min_length=1, max_length=20)] = Field(
        description="Goes up with every change; a record names it.",
        json_schema_extra={"type": ["string", "integer"]},
    )
    cautions: tuple[Text, ...] = Field(min_length=1, description="Read out and acknowledged before the first step.")
    references: tuple[Reference, ...] = Field((), description="Where the black lead goes, explained.")
    steps: tuple[Step, ...] = Field(min_length=1, description="What to touch and to look at, in this order.")
