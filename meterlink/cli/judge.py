"""`steadypoint judge`: one reading judged, its uncertainty line by line."""

import dataclasses
import json
from collections.abc import Callable
from decimal import Decimal
from typing import TypeVar

import click
from pydantic import ValidationError

from meterlink.cli._stated import celsius
from meterlink.errors import UsageError
from meterlink.instrument import Instrument
from meterlink.instruments.shelf import cautious_sheet, load_sheet
from meterlink.judging.budget import Shown, budget_of
from meterlink.judging.judge import Judge
from meterlink.judging.page import judgement_json, judgement_lines
from meterlink.judging.rules import Decision, Rule
from meterlink.judging.words import size
from meterlink.limits import Limits, parse_limits, parse_quantity
from meterlink.outcome import Measured
from meterlink.procedure.lint import judging_findings
from meterlink.procedure.model import Judging
from meterlink.procedure.problem import Severity
from meterlink.procedure.sentences import sentence
from meterlink.reading import Function, Instant, plain

_MANY = 10_000
_START = Instant(0, 0)
_BY_UNIT = {
    "V": Function.DC_VOLTAGE,
    "A": Function.DC_CURRENT,
    "Ohm": Function.RESISTANCE,
    "Hz": Function.FREQUENCY,
    "F": Function.CAPACITANCE,
    "Cel": Function.TEMPERATURE,
    "%": Function.DUTY,
}
"""What is measured where --function does not say."""

_T = TypeVar("_T")


@click.command("judge", short_help="Judge one reading: uncertainty budget, verdict, probability.")
@click.option("--limits", "limits_text", required=True, help="What is accepted, such as '22.0..29.0 V'.")
@click.option("--reading", "reading_text", required=True, help="What the display shows, such as '21.95 V', or OL.")
@click.option("--sheet", help="The meter's accuracy sheet, by name or file; a cautious default without it.")
@click.option("--rule", type=click.Choice([rule.value for rule in Rule]), default=Rule.SIMPLE.value, show_default=True)
@click.option("--scatter", help="Standard deviation of the readings, such as '0.02 V'.")
@click.option("--readings", type=click.IntRange(1, _MANY), help="How many readings show that scatter.")
@click.option(
    "--function", type=click.Choice([each.value for each in Function if each.judged]), help="Else by its unit."
)
@click.option("--range", "range_text", help="The meter's range; else the smallest that holds it.")
@click.option("--temperature", help="The meter's temperature, such as '5 °C'.")
@click.option("--source-resistance", help="The most that the circuit's source resistance can be, such as '10 kOhm'.")
@click.option("--coverage-factor", help="k; 2 unless told.")
@click.option("--coverage", help="A share to cover instead, such as '95 %'; k follows from the degrees of freedom.")
@click.option("--max-uncertainty", help="The most that the rule simple allows: '0.2 V' or '10 %'.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object, and nothing else.")
def command(
    *,
    limits_text: str,
    reading_text: str,
    sheet: str | None,
    rule: str,
    scatter: str | None,
    readings: int | None,
    function: str | None,
    range_text: str | None,
    temperature: str | None,
    source_resistance: str | None,
    coverage_factor: str | None,
    coverage: str | None,
    max_uncertainty: str | None,
    as_json: bool,
) -> None:
    """Judge one reading as a check would: its uncertainty line by line, the verdict, and the probability that the true
    value lies inside the limits.

    The accuracy ±(% of reading + counts) counts as limits of error, any value between them as likely as any other. The
    guard band of the rules guarded and guarded-rejection is the expanded uncertainty. Ends belong to the limits.

    Exit status: 0 judged, whatever it came to; 2 bad usage or a bad file.
    """
    limits = _read("limits", limits_text, parse_limits)
    overload = reading_text.strip() in ("OL", "-OL")
    value = None if overload else _read("reading", reading_text, parse_quantity)
    unit = value.unit if value else limits.unit or "Ohm"
    chosen = _function(function, unit)
    instrument = Instrument(
        sheet=load_sheet(sheet) if sheet else cautious_sheet(),
        at=_START,
        cautious=sheet is None,
        celsius=celsius(temperature),
    )
    if readings is not None and scatter is None:
        raise UsageError("--readings says how many show a scatter; give --scatter too")
    if source_resistance is not None and chosen not in (Function.DC_VOLTAGE, Function.AC_VOLTAGE):
        raise UsageError(f"--source-resistance: a meter loads a circuit in volts, not in {chosen}")
    decision = _decision(rule, coverage_factor, coverage, max_uncertainty, unit)
    source = _of_unit("source-resistance", source_resistance, "Ohm")
    shown = None
    if value is not None:
        shown = Shown(
            value=value.value,
            unit=value.unit,
            function=chosen,
            resolution=Decimal(0),
            deviation=_of_unit("scatter", scatter, unit) or Decimal(0),
            readings=readings or 1,
            at=_START,
            range_full=_range(range_text, instrument, chosen, value.value) if range_text else None,
            wire_tells_range=False,
        )
    judge = _judge(limits, shown, instrument, decision, source)
    if judge.limits.unit not in (None, unit):
        raise UsageError(f"limits in {judge.limits.unit}, but the reading is in {unit}")
    if shown is None:
        ends = [each.full for each in instrument.own_ranges(chosen)]
        largest = _range(range_text, instrument, chosen) if range_text else ends[-1] if ends else None
        judgement = judge.judge_overload(unit, largest)
    else:
        judgement = judge.judge_shown(shown)
        if judgement.assessment.standard_uncertainty is None:
            raise UsageError(f"no range of sheet {instrument.sheet.name} holds {_uncovered(judge, shown)}")
    limits = judge.limits
    measured = Measured(value.value if value else None, unit)
    if as_json:
        click.echo(json.dumps(judgement_json(measured, judgement, limits), ensure_ascii=False))
    else:
        click.echo("\n".join(judgement_lines(measured, judgement, limits)))


def _range(text: str, instrument: Instrument, function: Function, value: Decimal = Decimal(0)) -> Decimal:
    full = _of_unit("range", text, function.unit)
    known = [each.full for each in instrument.sheet.ranges.get(function, ())]
    if full is None or full not in known:
        listed = ", ".join(size(each, function.unit) for each in known) or "none"
        raise UsageError(f"--range {text!r}: expected one of sheet {instrument.sheet.name}: {listed}")
    if abs(value) > full:
        raise UsageError(f"--range {text!r} cannot show {plain(value)} {function.unit}")
    return full


def _judge(
    limits: Limits, shown: Shown | None, instrument: Instrument, decision: Decision, source: Decimal | None
) -> Judge:
    """Put a judge together; limits that refer to another reading have it written out here."""
    if limits.relative_to is None:
        return Judge(limits, decision, instrument, source_ohms=source)
    other = _read("limits", limits.relative_to, parse_quantity)
    if shown is None or other.unit != shown.unit:
        raise UsageError(f"limits refer to {limits.relative_to}; expected a reading in the same unit")
    if shown.range_full is not None and abs(other.value) > shown.range_full:
        raise UsageError(f"--range cannot show {limits.relative_to} either")
    beside = dataclasses.replace(shown, value=other.value, deviation=Decimal(0), readings=1)
    around = limits.around(other.value, other.unit, f"{plain(other.value)} {other.unit}")
    around = dataclasses.replace(around, text=limits.text)  # it names the reading already
    return Judge(around, decision, instrument, budget_of(beside, instrument), limits.largest_share, source)


def _uncovered(judge: Judge, shown: Shown) -> str:
    """Name the reading that no range holds: this one, or the one that the limits refer to."""
    partner = judge.partner
    value = partner.shown.value if partner is not None and partner.range is None else shown.value
    return f"{plain(value)} {shown.unit} in {shown.function}"


def _function(name: str | None, unit: str) -> Function:
    function = Function(name) if name else _BY_UNIT[unit]
    if function.unit != unit:
        raise UsageError(f"{function} is measured in {function.unit}, but the reading is in {unit}")
    return function


def _decision(
    rule: str, coverage_factor: str | None, coverage: str | None, max_uncertainty: str | None, unit: str
) -> Decision:
    """Read the rule as a procedure file would have it, with the same checks."""
    given = {
        "rule": rule,
        "coverage_factor": coverage_factor,
        "coverage": coverage,
        "max_uncertainty": max_uncertainty,
    }
    try:
        judging = Judging.model_validate({key: value for key, value in given.items() if value is not None})
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        raise UsageError(sentence(first, f"--{str(first['loc'][0]).replace('_', '-')}")) from error
    for finding in judging_findings((), judging):
        if finding.severity is Severity.ERROR:
            raise UsageError(finding.message)
    most = judging.max_uncertainty
    if most is not None and most.unit not in ("%", unit):
        raise UsageError(f"--max-uncertainty {max_uncertainty!r}: expected {unit}, or a percentage")
    return judging.decision


def _of_unit(option: str, text: str | None, unit: str) -> Decimal | None:
    if text is None:
        return None
    quantity = _read(option, text, parse_quantity)
    if quantity.unit != unit or quantity.value < 0:
        raise UsageError(f"--{option} {text!r}: expected {unit}, and not below 0")
    return quantity.value


def _read(option: str, text: str, parse: Callable[[str], _T]) -> _T:
    try:
        return parse(text)
    except ValueError as error:
        raise UsageError(f"--{option} {error}") from error
