"""SFLOAT of IEEE 11073-20601: 16 bits, little-endian; 4 bits exponent and 12 bits mantissa, both two's complement.

The value is mantissa x 10^exponent, so it is a decimal number, exact. Five raw values are special and are looked at
before anything is computed; their mantissas with another exponent are no numbers that the standard allows, and refused.
What is measured is not sent: it is `number`, without a unit, unless options say what it is.
"""

from collections.abc import Mapping
from decimal import Decimal

from meterlink.driver import Format
from meterlink.errors import UsageError
from meterlink.reading import FAHRENHEIT, Function, Instant, Reading
from meterlink_drivers.formats.gatt_value import ValueDecoder
from meterlink_drivers.formats.unit_words import UNIT_HELP, function_option, unit_option

_SPECIAL = {
    0x07FF: "",  # NaN
    0x0800: "",  # NRes: not at this resolution
    0x0801: "",  # reserved
    0x07FE: "OL",  # +INFINITY
    0x0802: "-OL",  # -INFINITY
}


def _reading(value: bytes, at: Instant, function: Function, scale: int, unit: str) -> Reading | None:
    raw = int.from_bytes(value, "little")
    if raw in _SPECIAL:
        return Reading(_SPECIAL[raw], unit, function, at, scale, raw=value)
    if raw & 0x0FFF in _SPECIAL:
        return None
    exponent = _signed(raw >> 12, 4)
    number = Decimal(_signed(raw & 0x0FFF, 12)).scaleb(exponent)
    step = Decimal(1).scaleb(exponent + scale) if exponent > 0 else None  # its zeros before the point carry nothing
    return Reading(f"{number:f}", unit, function, at, scale, raw=value, step=step)


def _signed(bits: int, width: int) -> int:
    return bits - (1 << width) if bits >> (width - 1) else bits


def _decoder(options: Mapping[str, str]) -> ValueDecoder:
    function = function_option(options, Function.NUMBER)
    scale, unit = unit_option(options, function.unit) or (0, "")
    if unit != function.unit and (function, unit) != (Function.TEMPERATURE, FAHRENHEIT):
        expected = f"a unit of {function}" if function.unit else f"no unit with {function}; name the function too"
        raise UsageError(f"unit {options['unit']!r}: expected {expected}")
    return ValueDecoder(2, lambda value, at: _reading(value, at, function, scale, unit))


FORMAT = Format(
    name="sfloat16",
    summary="16-bit decimal float (SFLOAT) of IEEE 11073-20601, as medical and sensor profiles send it",
    source="IEEE 11073-20601 SFLOAT-Type; special values from a published quotation of the definition",
    decoder=_decoder,
    look_alikes=("gatt-voltage-2b18", "gatt-current-2aee", "gatt-temperature-2a6e"),
    options={
        "function": f"what is measured: {', '.join(Function)}; number when left out",
        "unit": UNIT_HELP,
    },
)
