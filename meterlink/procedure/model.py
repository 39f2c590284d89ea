"""The procedure file as data. One class a kind of step; the field descriptions are the file format's documentation."""

import re
from collections.abc import Sequence
from decimal import Decimal
from itertools import takewhile
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
    model_validator,
)

from meterlink.judging.rules import Decision, Rule
from meterlink.limits import TO_BE_COMPUTED, Limits, Quantity, parse_limits, parse_quantity
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


class Judging(Part):
    """How limits are applied: the decision rule, as in JCGM 106 and ILAC-G8. Agree on it before you measure."""

    rule: Rule = Field(
        Rule.SIMPLE,
        description=(
            "simple: pass inside the limits, fail outside. guarded: pass only inside the limits less the expanded "
            "uncertainty, fail only outside the limits and that much more, too close to call between. "
            "guarded-rejection: fail only where that is proven, pass otherwise."
        ),
    )
    coverage_factor: CoverageFactorField | None = Field(
        None,
        description="k: the expanded uncertainty is k times the standard uncertainty; 2 where nothing is said.",
        json_schema_extra=optional,
    )
    coverage: CoverageField | None = Field(
        None,
        description="A share to cover instead of k, which then follows from the effective degrees of freedom.",
        json_schema_extra=optional,
    )
    max_uncertainty: MaxUncertaintyField | None = Field(
        None,
        description=(
            "The largest expanded uncertainty that the rule simple allows; above it, nothing is clear. A percentage "
            "is one of the width between the limits (of the limit's own magnitude where there is but one)."
        ),
        json_schema_extra=optional,
    )

    @property
    def decision(self) -> Decision:
        """The rule as the judge takes it."""
        factor = Decimal(2) if self.coverage_factor is None else self.coverage_factor
        most = self.max_uncertainty
        return Decision(self.rule, factor, self.coverage, most.value if most else None, most.unit if most else None)


class _Step(Part):
    id: Slug = Field(description="Names the step in the record; letters, digits, hyphens, dots and underscores.")
    point: Text = Field(description="The test point or part, tagged as on the drawing (IEC 81346 letter codes).")
    say: Text | None = Field(
        None,
        description="What is said when the step begins, instead of the standard sentence.",
        json_schema_extra=optional,
    )
    remedy: Text | None = Field(
        None,
        description="What to do when the step fails: what lies between the last good point and this one.",
        json_schema_extra=optional,
    )
    on_fail: Literal["continue", "stop", "find"] = Field(
        "continue",
        description=(
            "Whether the job goes on after anything but a pass. find: a fail begins a search for the fault in the "
            "procedure's circuit, and the job goes on after the repair; a step too close to call stops it."
        ),
    )


class MeasuredStep(_Step):
    """A step that the meter judges."""

    reference: Text = Field(description="Where the black lead is.")
    measure: Functions = Field(description="What the meter's dial must select; a list where several will do.")
    source: Text | None = Field(
        None,
        description="Where the limits come from: standard and clause, the installation's own instructions, practice.",
        json_schema_extra=optional,
    )
    judging: Judging | None = Field(
        None, description="The decision rule, where it is not the procedure's.", json_schema_extra=optional
    )
    situation: Slug | None = Field(
        None,
        description="The circuit's situation in which this is read, where it is not the procedure's.",
        json_schema_extra=optional,
    )
    source_resistance: SourceResistanceField | None = Field(
        None,
        description="The most that the circuit's source resistance can be at this point: the meter loads it.",
        json_schema_extra=optional,
    )


def _limits_or_expect(schema: dict[str, Any]) -> None:
    """Say that a reading step has limits, or expects what the circuit gives."""
    schema["required"].remove("limits")
    schema["oneOf"] = [{"required": ["limits"]}, {"required": ["expect"]}]


class ReadingStep(MeasuredStep):
    """Accepts a settled value inside limits."""

    model_config = ConfigDict(extra="forbid", frozen=True, json_schema_extra=_limits_or_expect)

    kind: Literal["reading"]
    limits: LimitsField = Field(description="What is accepted, ends included; or a difference to an earlier reading.")
    expect: Literal["computed"] | None = Field(
        None,
        description="Instead of limits: what the circuit gives at this point, with the spread of its parts.",
        json_schema_extra=optional,
    )

    @model_validator(mode="before")
    @classmethod
    def _computed(cls, data: Any) -> Any:
        """Let `expect: computed` stand in the place of limits; with both, the shape of the file is wrong."""
        if isinstance(data, dict) and data.get("expect") == "computed" and "limits" not in data:
            return {**data, "limits": TO_BE_COMPUTED}
        return data


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


class Reference(Part):
    """A place for the black lead."""

    name: Text = Field(description="As the steps write it.")
    where: Text = Field(description="Where it is and how to make contact there.")
    node: Text | None = Field(
        None, description="The circuit's node, where it has another name there.", json_schema_extra=optional
    )


class Uncaught(Part):
    """A fault of the circuit that the procedure does not catch, and why that is accepted."""

    fault: Text = Field(description="As `steadypoint lint` names it; `*` stands for any part, such as bridged:*.")
    reason: Text = Field(description="Why it is accepted here, and what catches it elsewhere.")


class Procedure(Part):
    """One procedure: what to touch, in which order, and what each point must read."""

    procedure: Slug = Field(description="The procedure's identity.")
    title: Text = Field(description="What the technician reads and hears.")
    revision: Annotated[str, StringConstraints(strip_whitespace=True, min_length=1, max_length=20)] = Field(
        description="Goes up with every change; a record names it.",
        json_schema_extra={"type": ["string", "integer"]},
    )
    judging: Judging | None = Field(
        None,
        description="The decision rule of every step that states none of its own; simple where nothing is said.",
        json_schema_extra=optional,
    )
    calibration: Literal["announced", "required"] = Field(
        "announced",
        description="required: the check begins only with a registered instrument whose calibration is valid.",
    )
    circuit: Text | None = Field(
        None,
        description="The circuit it is about: a shipped one by name, or a file, from this file's folder.",
        json_schema_extra=optional,
    )
    situation: Slug | None = Field(
        None, description="The circuit's situation while it is checked; rest unless told.", json_schema_extra=optional
    )
    begin_with: Literal["steps", "find"] = Field(
        "steps", description="find: a fault is looked for first, and the steps prove the circuit after the repair."
    )
    symptom: Slug | None = Field(
        None, description="What the lift does; one of the circuit's symptoms.", json_schema_extra=optional
    )
    uncaught: tuple[Uncaught, ...] = Field(
        (), description="Faults of the circuit that no step catches, each with the reason why that is accepted."
    )
    cautions: tuple[Text, ...] = Field(min_length=1, description="Read out and acknowledged before the first step.")
    references: tuple[Reference, ...] = Field((), description="Where the black lead goes, explained.")
    steps: tuple[Step, ...] = Field(min_length=1, description="What to touch and to look at, in this order.")

    def decision(self, step: MeasuredStep) -> Decision:
        """The decision rule of a step: its own, or the procedure's."""
        judging = step.judging or self.judging
        return judging.decision if judging else Decision()


def partner_of(step: MeasuredStep, steps: Sequence[Step]) -> MeasuredStep | None:
    """The earlier step whose reading a step's limits refer to, by its id or else by its point; None where none does.

    Args:
        step: one of `steps`.
        steps: the procedure's, in order. Of several with the point, the last before `step` is meant.
    """
    name = referred_to(step)
    if name is None:
        return None
    before = [each for each in takewhile(lambda each: each is not step, steps) if isinstance(each, MeasuredStep)]
    by_id = [each for each in before if each.id == name]
    by_point = [each for each in before if each.point == name]
    return next(reversed(by_id or by_point), None)


def referred_to(step: MeasuredStep) -> str | None:
    """What a step's limits refer to, as written; None for limits of their own."""
    if isinstance(step, AgreeStep):
        return step.with_
    return step.limits.relative_to if isinstance(step, ReadingStep) else None
