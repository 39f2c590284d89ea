"""The steps that a job goes through, as far as a crew's card needs them. Pure."""

from collections.abc import Mapping
from dataclasses import dataclass, field

from meterlink.errors import MeterlinkError
from meterlink.procedure.parse import parse_procedure


@dataclass(frozen=True, slots=True)
class Planned:
    """One step."""

    id: str
    point: str
    kind: str


@dataclass(frozen=True, slots=True)
class Plan:
    """All of them, in order."""

    steps: tuple[Planned, ...] = ()
    by_id: Mapping[str, Planned] = field(default_factory=dict)

    def point(self, step: str) -> str:
        """Return where a step is measured; its id where that is not known."""
        planned = self.by_id.get(step)
        return planned.point if planned else step


def plan_of(source: str) -> Plan:
    """Read the steps out of a procedure's text; none where it cannot be read, for it comes from a crew."""
    try:
        procedure = parse_procedure(source, "procedure")
    except MeterlinkError:
        return Plan()
    steps = tuple(Planned(step.id, step.point, step.kind) for step in procedure.steps)
    return Plan(steps, {step.id: step for step in steps})
