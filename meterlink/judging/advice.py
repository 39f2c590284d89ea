"""What would resolve a reading that is too close to call: the first of these that applies."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from decimal import ROUND_DOWN, Decimal

from meterlink.instrument import Instrument, Range
from meterlink.judging.budget import Budget, Shown
from meterlink.judging.rules import Decision, Rule
from meterlink.judging.uncertainty import combined
from meterlink.judging.words import rounded, size
from meterlink.limits import Limits
from meterlink.outcome import VerdictOutcome
from meterlink.reading import plain

_CAUSES = {
    "scatter": "The value swings: hold the probes still, look for a poor contact, and repeat.",
    "temperature": "The meter is too cold or too warm for its accuracy: let it come to {climate} °C and repeat.",
    "loading": "The meter loads this circuit: repeat with one of a higher input impedance, or with the load connected.",
}
"""What to do where one kind of component makes up more than half of the variance."""
_OF_THE_METER = ("accuracy", "temperature", "gain", "counts")
"""Components that a better meter makes smaller."""
_FINER = "Repeat with a better meter, of finer resolution."


@dataclass(frozen=True, slots=True)
class Case:
    """A value that is too close to call, and what it was judged by."""

    seen: Shown
    budget: Budget
    """The one it was judged by: of the touch, or of its difference to another."""
    instrument: Instrument
    limits: Limits
    decision: Decision
    factor: Decimal
    """The coverage factor that was used."""
    outcome_of: Callable[[Shown], VerdictOutcome]
    """What another display would have come to."""


def advice(case: Case) -> str:
    """Say what to do about a value that is too close to call."""
    return " ".join(_hints(case))


def _hints(case: Case) -> Iterator[str]:
    seen, budget = case.seen, case.budget
    lower = _lower_range(case)
    if lower is not None:
        there = replace(seen, resolution=lower.resolution, range_full=lower.full)
        clear = case.outcome_of(there) is not VerdictOutcome.UNCLEAR
        yield f"Use a lower range, {size(lower.full, seen.unit)}" + (": there it would be clear." if clear else ".")
        if clear:
            return
    cause = _main_cause(budget)
    if cause is not None and budget.range is not None:
        climate = budget.range.climate
        yield _CAUSES[cause].format(climate=f"{plain(climate.low)}..{plain(climate.high)}")
    elif case.instrument.cautious:
        yield "The meter's accuracy is not known and a cautious default was taken: state its sheet, and repeat."
    elif budget.cautious:
        yield "The meter's sheet does not cover this, and a cautious default was taken: use a range that it covers."
    else:
        yield _better_meter(case)


def _lower_range(case: Case) -> Range | None:
    """The smallest range of a known meter that holds the value, where it stands on a higher one."""
    seen, used = case.seen, case.budget.range
    lower = case.instrument.sheet.smallest(seen.function, seen.value)
    return lower if lower and used and lower.full < used.full and not case.instrument.cautious else None


def _main_cause(budget: Budget) -> str | None:
    whole = budget.standard**2
    for cause in _CAUSES:
        part = combined(each for each in budget.components if each.name.startswith(cause)) ** 2
        if part * 2 > whole:
            return cause
    return None


def _better_meter(case: Case) -> str:
    """Ask for a meter whose limit of error is small enough: k √(a² / 3 + what stays) within what there is to spare."""
    seen, limits = case.seen, case.limits
    to_spare = case.decision.allowed(limits) if case.decision.rule is Rule.SIMPLE else limits.margin(seen.value)
    if not to_spare:
        return _FINER
    stays = combined(each for each in case.budget.components if not each.name.startswith(_OF_THE_METER))
    room = (to_spare / case.factor) ** 2 - stays**2
    reach = case.budget.standard * case.factor
    if reach <= to_spare:  # the meter is good enough, and yet the display wavers
        return "Hold the probes still, and repeat."
    if room <= 0 or case.budget.compared:
        return _FINER
    hint = f"Repeat with a better meter, one within ±{rounded((3 * room).sqrt(), ROUND_DOWN)} {seen.unit} here"
    if limits.low is not None and limits.high is not None and limits.high - limits.low < 2 * reach:
        return f"{hint}; with this one nothing can pass between limits so close together."
    return f"{hint}."
