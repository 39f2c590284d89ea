"""The 11-byte frames of the ES519xx parts with four digits (7O1), in two kinds.

The 4000-count kind runs at 2400 baud, the 6000-count kind (ES51985, ES51986) at 19230. Tables: the serial pages of a
4000-count meter's user guide, taken to hold for the other kind with 6000 counts; option bits from memory. Published
captures of a 6000-count meter have other tables (the decoder's `tables=captures`); they are not built here.
Microampere, ampere, diode and temperature are left out: their scales are not known. A DC bit outside volts and amperes
may come from a real part; here it stays off.
"""

from collections.abc import Mapping
from dataclasses import dataclass

from meterlink.reading import Flag, Function, Reading, State
from meterlink_sim.encoders.es519xx import AUTO, LOW_BATTERY, Dial, character, coupling, digits
from meterlink_sim.encoders.parts import check, lit_bits, look_up, refusal

_VOLT: Dial = (";", {0: (1, -3), 1: (3, 0), 2: (2, 0), 3: (1, 0), 4: (0, 0)})
_OHM: Dial = ("3", {0: (1, 0), 1: (3, 3), 2: (2, 3), 3: (1, 3), 4: (3, 6), 5: (2, 6)})
_HERTZ: Dial = ("2", {0: (3, 3), 1: (2, 3), 2: (1, 3), 3: (3, 6), 4: (2, 6), 5: (1, 6)})
_FARAD: Dial = (
    "6",
    {0: (3, -9), 1: (2, -9), 2: (1, -9), 3: (3, -6), 4: (2, -6), 5: (1, -6), 6: (3, -3), 7: (2, -3)},
)
_MILLIAMPERE: Dial = ("9", {0: (2, -3), 1: (1, -3)})
_DIALS = {
    Function.DC_VOLTAGE: _VOLT,
    Function.AC_VOLTAGE: _VOLT,
    Function.DC_CURRENT: _MILLIAMPERE,
    Function.AC_CURRENT: _MILLIAMPERE,
    Function.RESISTANCE: _OHM,
    Function.CONTINUITY: ("5", {0: (1, 0)}),
    Function.FREQUENCY: _HERTZ,
    Function.CAPACITANCE: _FARAD,
}
_JUDGE = 1 << 3


@dataclass(frozen=True, slots=True)
class _Part:
    form: str
    full_scale: str
    opt1: Mapping[Flag, int]


_SLOW = _Part("the 11-byte frame of the 4000-count ES519xx", "4000", {})
_FAST = _Part(
    "the 11-byte frame of the 6000-count ES519xx",
    "6000",
    {Flag.HOLD: 3, Flag.MAXIMUM: 2, Flag.MINIMUM: 1},
)


def encode_4000(reading: Reading) -> bytes:
    """Write what a display shows as a frame of the 4000-count kind. Raises `ValueError` for what it cannot show."""
    return _encode(reading, _SLOW)


def encode_6000(reading: Reading) -> bytes:
    """Write what a display shows as a frame of the 6000-count kind. Raises `ValueError` for what it cannot show."""
    return _encode(reading, _FAST)


def _encode(reading: Reading, part: _Part) -> bytes:
    check(reading, part.form, (Flag.AUTO_RANGE, Flag.LOW_BATTERY, *part.opt1))
    if reading.state is State.BLANK:
        raise refusal(part.form, "a blank display")
    dial = look_up(_DIALS, reading.function, part.form, "the function")
    shown = digits(reading, (dial,), part.full_scale, part.form)
    bits = (
        shown.status
        | (_JUDGE if reading.function is Function.FREQUENCY else 0)
        | (LOW_BATTERY if Flag.LOW_BATTERY in reading.flags else 0),
        lit_bits(part.opt1, reading),
        coupling(reading.function) | (AUTO if Flag.AUTO_RANGE in reading.flags else 0),
    )
    return f"{shown.range}{shown.digits}{shown.function}{''.join(map(character, bits))}\r\n".encode()
