"""Questions that are held against the last visit, with what that visit read. Pure."""

from collections.abc import Iterator, Mapping

from meterlink.procedure.model import AskStep, LookStep, Procedure


def asks_of_last(procedure: Procedure) -> Iterator[LookStep | AskStep]:
    """Every step that asks about the last visit."""
    return (step for step in procedure.steps if isinstance(step, LookStep | AskStep) and step.last)


def with_last(procedure: Procedure, told: Mapping[str, str]) -> Procedure:
    """The procedure with what the last visit read behind its questions.

    Args:
        procedure: as its file has it.
        told: by the id of the step that asks, a sentence.
    """
    steps = tuple(
        step.model_copy(update={"ask": f"{step.ask} {told[step.id]}"})
        if isinstance(step, LookStep | AskStep) and step.id in told
        else step
        for step in procedure.steps
    )
    return procedure.model_copy(update={"steps": steps})
