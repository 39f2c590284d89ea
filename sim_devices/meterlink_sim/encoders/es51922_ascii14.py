"""The 14-byte frame of the ES51922, 22000 counts (19230 baud, 7O1). Tables: its data sheet, public transcription.

The two lower scales of microampere and milliampere and the diode and continuity scales are from memory. Temperature,
duty and the clamp adapter are left out: their ranges are not known. With hertz the JUDGE bit is set (from memory;
public decoders have it the other way round).
"""

from meterlink.reading import Flag, Function, Reading, State
from meterlink_sim.encoders.es519xx import AUTO, LOW_BATTERY, Dial, character, coupling, digits
from meterlink_sim.encoders.parts import check, lit_bits, look_up

_FORM = "the ES51922 frame"
_FULL_SCALE = "22000"

_VOLT: Dial = (";", {0: (4, 0), 1: (3, 0), 2: (2, 0), 3: (1, 0), 4: (2, -3)})
_OHM: Dial = ("3", {0: (2, 0), 1: (4, 3), 2: (3, 3), 3: (2, 3), 4: (4, 6), 5: (3, 6), 6: (2, 6)})
_HERTZ: Dial = ("2", {0: (2, 0), 1: (1, 0), 3: (3, 3), 4: (2, 3), 5: (4, 6), 6: (3, 6), 7: (2, 6)})
_FARAD: Dial = (
    "6",
    {0: (3, -9), 1: (2, -9), 2: (4, -6), 3: (3, -6), 4: (2, -6), 5: (4, -3), 6: (3, -3), 7: (2, -3)},
)
_AMPERE: tuple[Dial, ...] = (
    ("=", {0: (2, -6), 1: (1, -6)}),
    ("?", {0: (3, -3), 1: (2, -3)}),
    ("0", {0: (3, 0)}),
    ("9", {0: (4, 0), 1: (3, 0), 2: (2, 0), 3: (1, 0), 4: (0, 0)}),
)
_DIALS: dict[Function, tuple[Dial, ...]] = {
    Function.DC_VOLTAGE: (_VOLT,),
    Function.AC_VOLTAGE: (_VOLT,),
    Function.RESISTANCE: (_OHM,),
    Function.CONTINUITY: (("5", {0: (2, 0)}),),
    Function.DIODE: (("1", {0: (4, 0)}),),
    Function.FREQUENCY: (_HERTZ,),
    Function.CAPACITANCE: (_FARAD,),
    Function.DC_CURRENT: _AMPERE,
    Function.AC_CURRENT: _AMPERE,
}

_UNDER_RANGE = _JUDGE = 1 << 3
_OPT1 = {Flag.MAXIMUM: 3, Flag.MINIMUM: 2, Flag.RELATIVE: 1}
_OPT2 = {Flag.PEAK: 2}
_OPT4 = {Flag.HOLD: 1}


def encode(reading: Reading) -> bytes:
    """Write what a display shows as one frame; a blank display as under-range, a peak as the highest.

    Raises:
        ValueError: no range shows it, or there is no bit for a flag.
    """
    check(reading, _FORM, (Flag.AUTO_RANGE, Flag.LOW_BATTERY, *_OPT1, *_OPT2, *_OPT4))
    shown = digits(reading, look_up(_DIALS, reading.function, _FORM, "the function"), _FULL_SCALE, _FORM)
    bits = (
        shown.status
        | (_JUDGE if reading.function is Function.FREQUENCY else 0)
        | (LOW_BATTERY if Flag.LOW_BATTERY in reading.flags else 0),
        lit_bits(_OPT1, reading),
        lit_bits(_OPT2, reading) | (_UNDER_RANGE if reading.state is State.BLANK else 0),
        coupling(reading.function) | (AUTO if Flag.AUTO_RANGE in reading.flags else 0),
        lit_bits(_OPT4, reading),
    )
    return f"{shown.range}{shown.digits}{shown.function}{''.join(map(character, bits))}\r\n".encode()
