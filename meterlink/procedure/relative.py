"""Limits that refer to an earlier reading, worked out. Pure."""

from decimal import Decimal

from meterlink.limits import Limits
from meterlink.outcome import Measured
from meterlink.procedure.model import AgreeStep, ReadingStep


def relative_limits(step: ReadingStep | AgreeStep, partner: Measured | None) -> Limits:
    """Work limits out from what the partner's step read; where that was OL, or is missing, only OL fits."""
    if partner is None or partner.value is None:
        return Limits("OL", numbers=False, overload=True)
    value, unit = partner.value, partner.unit
    if isinstance(step, ReadingStep):
        return step.limits.around(value, unit, str(partner))
    half = step.within.high or Decimal(0)
    return Limits(f"{partner} ± {step.within.text}", value - half, value + half, unit)
