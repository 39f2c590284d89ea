"""Readings as evidence: what a person writes, and what a meter settled on, with what the meter may be off by. Pure."""

from decimal import Decimal

from meterlink.circuit.dictionary import Measure, Question
from meterlink.circuit.evidence import Seen
from meterlink.circuit.parts import Circuit
from meterlink.instrument import Instrument
from meterlink.limits import parse_quantity
from meterlink.outcome import Measured
from meterlink.reading import Function

_FUNCTIONS = {Measure.VOLTAGE: Function.DC_VOLTAGE, Measure.RESISTANCE: Function.RESISTANCE}
_MEASURES = {"V": Measure.VOLTAGE, "Ohm": Measure.RESISTANCE}
_UNITS = {measure: unit for unit, measure in _MEASURES.items()}
_UNKNOWN = (0.015, 0.05)
"""Share of the reading and counts, in the unit, for a meter whose sheet does not cover the reading."""


def parse_seen(text: str, circuit: Circuit, instrument: Instrument) -> Seen:
    """Read what was measured, such as `X1:4=24.1 V`, `X1:3 to X1:4=0.02 V` or `X1:4=OL`.

    Raises:
        ValueError: says what was found and what was expected.
    """
    where, equals, shown = text.rpartition("=")
    if not equals or not where.strip():
        raise ValueError(f"{text!r}: expected a reading such as X1:4=24.1 V, or X1:3 to X1:4=0.02 V")
    point, to, other = (each.strip() for each in where.partition(" to "))
    for node in (point, *([other] if to else [])):
        if node not in circuit.number:
            raise ValueError(f"{text!r}: no point {node!r}; known are {', '.join(circuit.nodes)}")
    if point == (other if to else circuit.reference):
        raise ValueError(f"{text!r}: both leads are on {point}")
    reference = other if to else None
    if shown.strip() == "OL":
        return seen_of(Question(point, reference, Measure.RESISTANCE), None, instrument)
    found = parse_quantity(shown)
    if found.unit not in _MEASURES:
        raise ValueError(f"{text!r}: expected volts or ohms, or OL")
    return seen_of(Question(point, reference, _MEASURES[found.unit]), found.value, instrument)


def seen_of(question: Question, value: Decimal | None, instrument: Instrument | None) -> Seen:
    """A touch as evidence.

    Args:
        question: what it answers.
        value: in V or Ohm; None for OL.
        instrument: the meter; None where nothing is known of it.
    """
    shown = Measured(value, _UNITS[question.measure])
    if value is None:
        return Seen(question, None, shown=shown)
    gain, counts = _UNKNOWN
    function = _FUNCTIONS[question.measure]
    sheets = [] if instrument is None else [instrument.sheet, instrument.fallback]
    rows = [row for sheet in sheets if sheet and (row := sheet.smallest(function, value)) is not None]
    if rows:
        gain, counts = float(rows[0].reading), float(rows[0].count_limit + rows[0].resolution)
    return Seen(question, float(value), gain, counts, shown)


def measured_of(seen: Seen) -> Measured:
    """The touch as it is written for people and in JSON."""
    value = None if seen.value is None else Decimal(str(seen.value))
    return seen.shown or Measured(value, _UNITS[seen.question.measure])
