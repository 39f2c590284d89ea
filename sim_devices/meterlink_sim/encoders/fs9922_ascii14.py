"""The 14-byte frame of the FS9922-DMM3 and -DMM4: sign, four digits, point, symbols in bits, CR LF (2400 baud, 8N1).

Table from memory; data sheets FS9922_DMM3-DS-11_EN and FS9922_DMM4-DS-15_EN exist. The bar graph is the meter's own
affair: here its length is the number's first two digits, and it is shown with volts, amperes and diodes.
"""

from meterlink.reading import FAHRENHEIT, Flag, Function, Reading, State
from meterlink_sim.encoders.parts import Number, check, check_prefix, lit_bits, look_up, number

_FORM = "the FS9922 frame"
_PLACES = 4

_DC, _AC, _BAR = 1 << 4, 1 << 3, 1
_SB1_FLAGS = {Flag.AUTO_RANGE: 5, Flag.RELATIVE: 2, Flag.HOLD: 1}
_SB2_FLAGS = {Flag.MAXIMUM: 5, Flag.MINIMUM: 4, Flag.LOW_BATTERY: 2}
_SB2_PREFIXES = {-9: 1 << 1}
_SB3_PREFIXES = {-6: 1 << 7, -3: 1 << 6, 3: 1 << 5, 6: 1 << 4}
_BEEPER, _DIODE, _PERCENT = 1 << 3, 1 << 2, 1 << 1
_VOLT, _AMPERE, _OHM, _HERTZ, _FARAD, _CELSIUS, _FAHRENHEIT = (1 << bit for bit in (7, 6, 5, 3, 2, 1, 0))

_FUNCTIONS = {
    Function.DC_VOLTAGE: (_DC | _BAR, 0, _VOLT),
    Function.AC_VOLTAGE: (_AC | _BAR, 0, _VOLT),
    Function.RESISTANCE: (0, 0, _OHM),
    Function.CONTINUITY: (0, _BEEPER, _OHM),
    Function.DIODE: (_BAR, _DIODE, _VOLT),
    Function.DC_CURRENT: (_DC | _BAR, 0, _AMPERE),
    Function.AC_CURRENT: (_AC | _BAR, 0, _AMPERE),
    Function.FREQUENCY: (0, 0, _HERTZ),
    Function.CAPACITANCE: (0, 0, _FARAD),
    Function.TEMPERATURE: (0, 0, _CELSIUS),
    Function.DUTY: (0, _PERCENT, 0),
}
"""Bits of the first, third and fourth symbol byte."""

_POINTS = {0: b"0", 3: b"1", 2: b"2", 1: b"4"}
"""The point by the number of decimals."""
_OVERLOAD = (b"?0:?", b"2", 0)
_BLANK = (b"????", b"0", 0)


def encode(reading: Reading) -> bytes:
    """Write what a display shows as one frame.

    Raises:
        ValueError: the frame has no code for the function, prefix, flag or number of digits.
    """
    check(reading, _FORM, (*_SB1_FLAGS, *_SB2_FLAGS))
    check_prefix(reading, _FORM)
    sb1, sb3, sb4 = look_up(_FUNCTIONS, reading.function, _FORM, "the function")
    digits, point, bar = _digits(reading)
    symbols = (
        sb1 | lit_bits(_SB1_FLAGS, reading),
        _SB2_PREFIXES.get(reading.scale, 0) | lit_bits(_SB2_FLAGS, reading),
        sb3 | _SB3_PREFIXES.get(reading.scale, 0),
        _FAHRENHEIT if reading.unit == FAHRENHEIT else sb4,
    )
    sign = b"-" if reading.display.startswith("-") else b"+"
    return sign + digits + b" " + point + bytes([*symbols, bar]) + b"\r\n"


def _digits(reading: Reading) -> tuple[bytes, bytes, int]:
    """The four digits, the point and the bar graph."""
    match reading.state:
        case State.OVERLOAD:
            return _OVERLOAD
        case State.BLANK:
            return _BLANK
    shown = number(reading, _FORM, _PLACES)
    point = look_up(_POINTS, shown.decimals, _FORM, "a point with decimals behind it:")
    return shown.digits.rjust(_PLACES, "?").encode(), point, _bar(shown)


def _bar(shown: Number) -> int:
    return shown.sign << 7 | int(shown.digits.rjust(_PLACES, "0")[:2])
