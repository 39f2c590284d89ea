"""The 6-byte count record of Bluetooth meters: three little-endian words.

A community article of 2020-03-09 (packet and fields); codes of functions beyond volts, under-range and the flag bits
from memory. The sign is a bit of its own, no two's complement.
"""

import struct

from meterlink.reading import FAHRENHEIT, Flag, Function, Reading, State
from meterlink_sim.encoders.parts import check, check_prefix, lit_bits, look_up, number, refusal

_FORM = "the 6-byte count record"
_LARGEST = 0x7FFF
_MOST_DECIMALS = 4
_UNDER_RANGE, _OVERLOAD = 6, 7

_FUNCTIONS = {
    (Function.DC_VOLTAGE, "V"): 0,
    (Function.AC_VOLTAGE, "V"): 1,
    (Function.DC_CURRENT, "A"): 2,
    (Function.AC_CURRENT, "A"): 3,
    (Function.RESISTANCE, "Ohm"): 4,
    (Function.CAPACITANCE, "F"): 5,
    (Function.FREQUENCY, "Hz"): 6,
    (Function.DUTY, "%"): 7,
    (Function.TEMPERATURE, "Cel"): 8,
    (Function.TEMPERATURE, FAHRENHEIT): 9,
    (Function.DIODE, "V"): 10,
    (Function.CONTINUITY, "Ohm"): 11,
}
_PREFIXES = {-9: 1, -6: 2, -3: 3, 0: 4, 3: 5, 6: 6}
_FLAGS = {
    Flag.HOLD: 0,
    Flag.RELATIVE: 1,
    Flag.AUTO_RANGE: 2,
    Flag.LOW_BATTERY: 3,
    Flag.MINIMUM: 4,
    Flag.MAXIMUM: 5,
}


def encode(reading: Reading) -> bytes:
    """Write what a display shows as one record; a blank display as under-range.

    Raises:
        ValueError: there is no code for the function, prefix or flag, or the number has more than 32767 counts or four
            decimals.
    """
    check(reading, _FORM, _FLAGS)
    check_prefix(reading, _FORM)
    function = look_up(_FUNCTIONS, (reading.function, reading.unit), _FORM, "the function")
    decimals, magnitude = _magnitude(reading)
    sign = int(reading.display.startswith("-"))
    word = 0xF << 12 | function << 6 | _PREFIXES[reading.scale] << 3 | decimals
    return struct.pack("<HHH", word, lit_bits(_FLAGS, reading), sign << 15 | magnitude)


def _magnitude(reading: Reading) -> tuple[int, int]:
    """The code of the decimals, and the counts without sign."""
    match reading.state:
        case State.OVERLOAD:
            return _OVERLOAD, 0
        case State.BLANK:
            return _UNDER_RANGE, 0
    shown = number(reading, _FORM, 5)
    if shown.decimals > _MOST_DECIMALS or int(shown.digits) > _LARGEST:
        raise refusal(_FORM, f"{reading.display!r}: it takes {_LARGEST} counts and {_MOST_DECIMALS} decimals at most")
    return shown.decimals, int(shown.digits)
