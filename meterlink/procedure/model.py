"""The procedure file as data. The field descriptions are the file format's documentation."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import takewhile
from typing import Annotated, Literal

from pydantic import Field, StringConstraints

from meterlink.judging.rules import Decision
from meterlink.procedure.fields import Conditions, Part, Rounds, Slug, Text, YesNo, optional
from meterlink.procedure.kinds import (
    AgreeStep,
    AnsweredStep,
    AskStep,
    BridgeStep,
    DeadStep,
    IntervalStep,
    Judging,
    LookStep,
    MeasuredStep,
    OperateStep,
    ReadingStep,
    Step,
    TimedStep,
    WatchStep,
)

__all__ = [
    "AgreeStep",
    "AnsweredStep",
    "AskStep",
    "BridgeStep",
    "DeadStep",
    "Group",
    "GroupKeys",
    "IntervalStep",
    "Judging",
    "LookStep",
    "MeasuredStep",
    "OperateStep",
    "Procedure",
    "ProcedureFile",
    "ReadingStep",
    "Reference",
    "Step",
    "TimedStep",
    "Uncaught",
    "Unfolded",
    "WatchStep",
    "partner_of",
    "referred_to",
]


@dataclass(frozen=True, slots=True)
class Unfolded:
    """A group of steps as they are asked for: one round of it where it is repeated."""

    title: str
    any_order: bool
    steps: tuple[str, ...]
    """Their ids, in order, those of groups inside too."""


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
    _groups: tuple[Unfolded, ...] = ()

    @property
    def groups(self) -> tuple[Unfolded, ...]:
        """The groups that the steps stand in, outer ones before inner ones."""
        return self._groups

    def grouped(self, groups: Sequence[Unfolded]) -> "Procedure":
        """The same procedure with its steps in groups."""
        grouped = self.model_copy()
        grouped._groups = tuple(groups)
        return grouped

    def group_of(self, step: Step) -> Unfolded | None:
        """The innermost group that a step stands in; None where it stands in none."""
        return next((group for group in reversed(self._groups) if step.id in group.steps), None)

    def decision(self, step: MeasuredStep) -> Decision:
        """The decision rule of a step: its own, or the procedure's."""
        judging = step.judging or self.judging
        return judging.decision if judging else Decision()


class GroupKeys(Part):
    """What is said of several steps together."""

    group: Text = Field(description="Its title; said with its first step.")
    for_: Rounds = Field(
        {},
        alias="for",
        description=(
            "Repeats the steps, once for each value: {name} in their texts stands for the value. Several names go "
            "along together, so their lists are equally long."
        ),
    )
    if_: Conditions = Field((), alias="if", description="As for a step, for all of them.")
    any_order: YesNo = Field(False, description="yes: a touch goes to the step that it fits. For reading steps only.")


class Group(GroupKeys):
    """Several steps under one title, asked for together, or again for each landing, door or corner."""

    steps: tuple["Entry", ...] = Field(min_length=1, description="Its steps, and groups inside it.")


Entry = Step | Group


class ProcedureFile(Procedure):
    """One procedure: what to touch, in which order, and what each point must read."""

    steps: tuple[Entry, ...] = Field(  # type: ignore[assignment]
        min_length=1, description="What to touch and to look at, in this order; groups among them."
    )


def partner_of(step: MeasuredStep, steps: Sequence[Step]) -> MeasuredStep | None:
    """The earlier step whose reading a step's limits refer to, by its id or else by its point; None where none does.

    Args:
        step: one of `steps`.
        steps: the procedure's, in order. Of several with the point, the last before `step` is meant.
    """
    name = referred_to(step)
    if name is None:
        return None
    before = [
        each for each in takewhile(lambda each: each is not step, steps) if isinstance(each, ReadingStep | AgreeStep)
    ]
    by_id = [each for each in before if each.id == name]
    by_point = [each for each in before if each.point == name]
    return next(reversed(by_id or by_point), None)


def referred_to(step: MeasuredStep) -> str | None:
    """What a step's limits refer to, as written; None for limits of their own."""
    if isinstance(step, AgreeStep):
        return step.with_
    return step.limits.relative_to if isinstance(step, ReadingStep) else None
