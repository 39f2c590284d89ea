"""What a judgement says, in a sentence that a technician understands."""

from decimal import ROUND_UP, Decimal

from meterlink.limits import PREFIXES
from meterlink.reading import plain

_PREFIXES = sorted(((power, prefix) for prefix, power in {"": 0, **PREFIXES}.items()), reverse=True)
_LARGE = Decimal(10_000)
_PREFIXED = {"V": 0, "A": 0, "Ohm": 9, "Hz": 9, "F": 0}
"""Units that take prefixes, and the largest power of ten that people write one for."""


def size(value: Decimal, unit: str) -> str:
    """Write a range or another round size with the prefix people use: `40 V`, `400 mV`, `4 MOhm`."""
    if not value or unit not in _PREFIXED:
        return f"{shortest(value)} {unit}"
    power, prefix = _prefix(value, unit)
    return f"{shortest(value.scaleb(-power))} {prefix}{unit}"


def uncertainty(value: Decimal, unit: str, below: Decimal | None = None) -> str:
    """Write an uncertainty with two digits, rounded up (GUM 7.2.6): `0.15 V`, `2.4 mV`, `21 kOhm`, `1.5 °C`.

    Args:
        value: in `unit`.
        unit: SenML unit.
        below: what it is said to be less than; where rounding would reach that, more digits are written.
    """
    digits = 2
    while below is not None and digits < 6 and Decimal(rounded(value, ROUND_UP, digits)) >= below > value:
        digits += 1
    power, prefix = _prefix_where_small_or_large(value, unit)
    return f"{rounded(value.scaleb(-power), ROUND_UP, digits)} {prefix}{_written(unit)}"


def exactly(value: Decimal, unit: str) -> str:
    """Write a difference of readings or limits in full: `0.05 V`, `0.1 mA`."""
    power, prefix = _prefix_where_small_or_large(value, unit)
    return f"{shortest(value.scaleb(-power))} {prefix}{_written(unit)}"


def rounded(value: Decimal, how: str, digits: int = 2) -> str:
    """Round to so many significant digits."""
    if not value:
        return "0"
    return plain(value.quantize(Decimal(1).scaleb(value.adjusted() + 1 - digits), rounding=how))


def share(probability: float) -> str:
    """Write a probability in percent, never as certain: `99.7 %`, `over 99.9 %`."""
    hundredths = Decimal(str(probability)) * 100
    if hundredths > Decimal("99.9"):
        return "over 99.9 %"
    if hundredths < Decimal("0.1"):
        return "under 0.1 %"
    return f"{hundredths.quantize(Decimal('0.1')).normalize():f} %"


def shortest(value: Decimal) -> str:
    """Write a number out in full, without noughts at its end."""
    return plain(value.normalize())


def percent(part: Decimal) -> str:
    """Write a share in percent: `0.5 %`."""
    return f"{shortest(part * 100)} %"


def _prefix_where_small_or_large(value: Decimal, unit: str) -> tuple[int, str]:
    if unit not in _PREFIXED or not value or Decimal("0.01") <= value < _LARGE:
        return 0, ""
    return _prefix(value, unit)


def _written(unit: str) -> str:
    return "°C" if unit == "Cel" else unit


def _prefix(value: Decimal, unit: str) -> tuple[int, str]:
    usual = [each for each in _PREFIXES if each[0] <= _PREFIXED[unit]]
    return next((each for each in usual if abs(value) >= Decimal(1).scaleb(each[0])), usual[-1])
