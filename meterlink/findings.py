"""What the verdicts say about the circuit, as far as the order of the steps tells it."""

from collections.abc import Mapping

from meterlink.outcome import Verdict, VerdictOutcome
from meterlink.procedure.model import AgreeStep, MeasuredStep, Procedure, ReadingStep
from meterlink.reading import Function


def dead(verdict: Verdict | None) -> bool:
    """Tell whether a verdict found nothing where something was to be: a confirmed idle-like reading, not passed."""
    return verdict is not None and verdict.confirmed and verdict.measured is not None and not _passed(verdict)


def last_live(procedure: Procedure, verdicts: Mapping[str, Verdict], step: MeasuredStep) -> MeasuredStep | None:
    """Return the nearest earlier step that passed with voltage on its point, against the same reference."""
    found: MeasuredStep | None = None
    for earlier in procedure.steps:
        if earlier.id == step.id:
            break
        if (
            not isinstance(earlier, ReadingStep | AgreeStep)
            or earlier.reference != step.reference
            or not _in_volts(earlier)
        ):
            continue
        verdict = verdicts.get(earlier.id)
        if verdict is not None and _passed(verdict) and not verdict.confirmed:
            found = earlier
    return found


def lost_between(procedure: Procedure, verdicts: Mapping[str, Verdict]) -> tuple[str, str] | None:
    """Return the last live and the first dead test point of the chain; None where no voltage is lost between two.

    The chain is the steps in DC volts to one reference, which a procedure lists in the order of the circuit.
    """
    for step in procedure.steps:
        if isinstance(step, ReadingStep | AgreeStep) and _in_volts(step) and dead(verdicts.get(step.id)):
            live = last_live(procedure, verdicts, step)
            return (live.point, step.point) if live else None
    return None


def _passed(verdict: Verdict | None) -> bool:
    return verdict is not None and verdict.outcome is VerdictOutcome.PASS


def _in_volts(step: MeasuredStep) -> bool:
    return Function.DC_VOLTAGE in step.measure
