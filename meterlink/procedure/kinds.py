"""The kinds of step, one class a kind. The field descriptions are the file format's documentation."""

from decimal import Decimal
from typing import Annotated, Any, Literal

from pydantic import ConfigDict, Field, model_validator

from meterlink.judging.rules import Decision, Rule
from meterlink.limits import TO_BE_COMPUTED, Limits, Quantity
from meterlink.procedure.fields import (
    GO_TO,
    Conditions,
    CoverageFactorField,
    CoverageField,
    DurationField,
    Functions,
    LastSteps,
    LimitsField,
    MaxUncertaintyField,
    OnFail,
    Part,
    SourceResistanceField,
    StepSlug,
    Text,
    Times,
    WithinField,
    optional,
)
from meterlink.reading import NS_PER_S


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
    """What every kind of step has."""

    id: StepSlug = Field(description="Names the step in the record; letters, digits, hyphens, dots and underscores.")
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
    on_fail: OnFail = Field(
        "continue",
        description=(
            "Whether the job goes on after anything but a pass. find: a fail begins a search for the fault in the "
            "procedure's circuit, and the job goes on after the repair; a step too close to call stops it. go-to ID: "
            "the job goes on with that step; the steps passed over do not apply, those gone back over are proved again."
        ),
    )
    if_: Conditions = Field(
        (),
        alias="if",
        description="The id of an ask step that must be answered yes, or not and its id; of several, all must hold.",
    )
    holds: Literal["job", "visit"] = Field(
        "job", description="visit: proved again where the job is gone on with after more than 4 hours."
    )

    @property
    def goes_to(self) -> str | None:
        """The id of the step that anything but a pass leads to; None where it leads to none."""
        return self.on_fail.removeprefix(GO_TO) if self.on_fail.startswith(GO_TO) else None


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
    situation: StepSlug | None = Field(
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
    with_: StepSlug = Field(alias="with", description="The id of the earlier step to agree with.")
    within: WithinField = Field(description="The greatest difference accepted, such as 0.3 V.")


class _Remembering(_Step):
    """What steps have that may ask about the last visit."""

    last: LastSteps = Field(
        (),
        description=(
            "The id of a step of which the last visit's reading is told with the question; of two, the volts lost from "
            "the one to the other. The check knows them from its record where it names the lift."
        ),
    )


class LookStep(_Remembering):
    """Something seen and answered with yes (confirm) or no (refuse); the meter never judges it."""

    kind: Literal["look"]
    ask: Text = Field(description="The question, which yes answers with a pass.")

    @property
    def question(self) -> str:
        """What is asked."""
        return self.ask


_OPEN = Limits("OL", numbers=False, overload=True)


class OperateStep(MeasuredStep):
    """A contact worked by hand: it opens and closes so many times, and each change is seen."""

    kind: Literal["operate"]
    closed: LimitsField = Field(description="What is read while it is closed.")
    open: LimitsField = Field(_OPEN, description="What is read while it is open; OL unless told, in volts to be told.")
    times: Times = Field(3, description="How many times it is worked.")
    begins: Literal["closed", "open"] = Field("closed", description="Its state while nobody works it.")
    open_at_most: DurationField = Field(
        Quantity(Decimal(8), "s"),
        description="Open for longer than this means that the leads were taken off: the counting starts anew.",
        json_schema_extra={"default": "8 s"},
    )
    worked: StepSlug | None = Field(
        None, description="The circuit's situation while it is worked.", json_schema_extra=optional
    )


class WatchStep(MeasuredStep):
    """A value that stays inside limits for as long as the lift travels."""

    kind: Literal["watch"]
    limits: LimitsField = Field(description="What is accepted all the while, ends included.")
    least: DurationField = Field(description="How long it must be watched at least.")
    begins: Literal["confirm", "settled"] = Field(
        "confirm", description="Whether watching begins with an answer, or as soon as the value stands."
    )

    @property
    def least_ns(self) -> int:
        """`least` in nanoseconds."""
        return int(self.least.value * NS_PER_S)


class IntervalStep(MeasuredStep):
    """The time between two changes at one point."""

    kind: Literal["interval"]
    from_: LimitsField = Field(alias="from", description="The clock starts when the value enters these limits.")
    to: LimitsField = Field(description="It stops when the value enters these.")
    limits: LimitsField = Field(description="What time is accepted, such as 0.5..5 s.")
    worked: StepSlug | None = Field(
        None, description="The circuit's situation while the clock runs.", json_schema_extra=optional
    )


class KnownSource(Part):
    """A source that is known to be live, and by which the meter is proved."""

    point: Text = Field(description="Where the red lead goes.")
    reference: Text | None = Field(
        None,
        description="Where the black lead goes; as for the step where nothing is said.",
        json_schema_extra=optional,
    )
    limits: LimitsField = Field(description="What it reads.")


class DeadStep(MeasuredStep):
    """A point proved dead: the known source live, the point dead, the known source live once more."""

    kind: Literal["dead"]
    on_fail: OnFail = Field(
        "stop", description="As for any step, but the job stops here unless told: what is not proved dead is live."
    )
    limits: LimitsField = Field(description="What counts as dead, such as -0.5..0.5 V.")
    known: KnownSource = Field(description="The source that proves the meter, before and after.")


class BridgeStep(_Step):
    """A jumper: one fitted in the factory is looked at, a temporary one entered, and closed out when it is removed."""

    kind: Literal["bridge"]
    jumper: Literal["factory", "temporary", "removed"] = Field(
        description="factory: in place as drawn? temporary: it is fitted now. removed: it is taken out again."
    )
    why: Text | None = Field(None, description="What a temporary one is for.", json_schema_extra=optional)
    ask: Text | None = Field(None, description="Another question than the standard one.", json_schema_extra=optional)

    @property
    def question(self) -> str:
        """What is asked."""
        return self.ask or _JUMPER_QUESTIONS[self.jumper]


_JUMPER_QUESTIONS = {
    "factory": "Is this jumper in place, as drawn?",
    "temporary": "Is this temporary jumper fitted now?",
    "removed": "Is this jumper taken out?",
}


class AskStep(_Remembering):
    """A question about the lift, answered with yes (confirm) or no (refuse); what follows depends on it."""

    kind: Literal["ask"]
    ask: Text = Field(description="The question.")

    @property
    def question(self) -> str:
        """What is asked."""
        return self.ask


AnsweredStep = LookStep | BridgeStep | AskStep
"""Steps that a person answers and no meter judges."""

TimedStep = OperateStep | WatchStep | IntervalStep
"""Steps in which readings are followed over time."""

Step = Annotated[
    ReadingStep | AgreeStep | OperateStep | WatchStep | IntervalStep | DeadStep | LookStep | BridgeStep | AskStep,
    Field(discriminator="kind"),
]
