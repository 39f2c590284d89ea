"""What a crew's meter shows: the digits as the display has them, from a stored line or from SenML. Pure."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation

from meterlink.errors import RecordError
from meterlink.reading import NS_PER_S, Function, Instant, Reading, plain
from meterlink.record.codec import from_event
from meterlink.record.entry import Event, Kind

_BLANK = f"event/{Kind.READING.value}"
_LARGEST = 1e12
_FUNCTIONS = {function.value: function for function in Function}
_SECOND_AT_MOST = 2**33
_SCALE_AT_MOST = 12
_LONGEST = 16
"""Characters of a display."""
_FINEST = -9


def stored_reading(event: Event) -> Reading | None:
    """Return the reading of a stored line; None for one that is none, or that no display could show."""
    try:
        item = from_event(event)
    except RecordError:
        return None
    if not isinstance(item, Reading) or abs(item.scale) > _SCALE_AT_MOST or len(item.display) > _LONGEST:
        return None
    return item


@dataclass(frozen=True, slots=True)
class Sample:
    """What a live message said last."""

    function: Function
    unit: str
    value: float | None
    """None without a number."""
    text: str
    """`OL` or `-OL`; empty with a number, and of a blank display."""
    utc_ns: int
    """By the crew's clock."""


def sample_of(records: Sequence[Mapping[str, object]]) -> Sample | None:
    """Read the newest of a live message's records; None where it says nothing that a meter can show."""
    if not records:
        return None
    last, at = records[-1], _number(records[0].get("bt"), 0.0)
    seconds = None if at is None else _number(last.get("t"), 0.0)
    if at is None or seconds is None or not 0 <= at + seconds < _SECOND_AT_MOST:
        return None
    utc_ns = round(at * NS_PER_S) + round(seconds * NS_PER_S)
    name, text = last.get("n"), last.get("vs")
    if name == _BLANK:
        return Sample(Function.OTHER, "", None, "", utc_ns)
    function = _FUNCTIONS.get(name) if isinstance(name, str) else None
    if function is None:
        return None
    if text in ("OL", "-OL"):
        return Sample(function, function.unit, None, str(text), utc_ns)
    value, unit = _number(last.get("v"), None), last.get("u", "")
    if value is None or abs(value) >= _LARGEST or unit != function.unit:
        return None
    return Sample(function, function.unit, value, "", utc_ns)


def as_reading(sample: Sample, before: Reading | None) -> Reading:
    """Return a sample as the display has it.

    SenML has numbers and no digits. A display has as many digits in every range: how many, and with which prefix, is
    taken from the reading before of the same function. It never has fewer than its number needs.

    Args:
        sample: what came.
        before: the last reading that is stored.
    """
    at = Instant(0, sample.utc_ns)
    if sample.value is None:
        return Reading(sample.text, sample.unit, sample.function, at)
    same = before if before is not None and before.function is sample.function and before.unit == sample.unit else None
    scale = same.scale if same else 0
    shown = Decimal(repr(sample.value)).scaleb(-scale).normalize()
    needed = int(shown.as_tuple().exponent)
    digits = sum(sign.isdigit() for sign in same.display) if same else 0
    before_point = max(1, shown.adjusted() + 1)
    exponent = max(_FINEST, min(needed, 0, before_point - digits))
    try:
        display = plain(shown.quantize(Decimal(1).scaleb(exponent)))
    except InvalidOperation:  # more digits than any display has
        display = plain(shown.to_integral_value())
    return Reading(display, sample.unit, sample.function, at, scale=scale)


def _number(value: object, otherwise: float | None) -> float | None:
    """Return a finite number; what is given where there is none; None for anything else."""
    if value is None:
        return otherwise
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    try:
        number = float(value)
    except OverflowError:
        return None
    return number if math.isfinite(number) else None
