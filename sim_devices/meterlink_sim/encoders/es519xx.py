"""What the ES519xx frames share: characters 0x30 to 0x3F, and a range character in place of a point.

A frame says neither where the point stands nor which prefix is shown: both follow from the range and the chip.
"""

from collections.abc import Mapping
from dataclasses import dataclass

from meterlink.reading import Function, Reading, State
from meterlink_sim.encoders.parts import number, refusal

Range = tuple[int, int]
"""Decimals shown, and the power of ten of the prefix."""
Dial = tuple[str, Mapping[int, Range]]
"""A function character, and its ranges."""

VOLTAGES = (Function.DC_VOLTAGE, Function.AC_VOLTAGE)
CURRENTS = (Function.DC_CURRENT, Function.AC_CURRENT)

SIGN, LOW_BATTERY, OVERLOAD = 1 << 2, 1 << 1, 1
DC, AC, AUTO = 1 << 3, 1 << 2, 1 << 1


@dataclass(frozen=True, slots=True)
class Digits:
    """The characters that stand for a display's digits."""

    range: str
    digits: str
    function: str
    status: int
    """Sign and overload; the other bits are the part's own."""


def digits(reading: Reading, dials: tuple[Dial, ...], full_scale: str, form: str) -> Digits:
    """Find the function and range that show a reading.

    Args:
        reading: what the display shows.
        dials: the functions that may show it, the likeliest first.
        full_scale: the digits that stand there on overload; their number is the number of places.
        form: the format's name in errors.

    Raises:
        ValueError: no range has this point and prefix, or the number of digits is not the chip's.
    """
    sign = SIGN if reading.display.startswith("-") else 0
    if reading.state is State.VALUE:
        shown = number(reading, form, len(full_scale))
        if len(shown.digits) != len(full_scale):
            raise refusal(form, f"{reading.display!r}: it always shows {len(full_scale)} digits")
        for function, ranges in dials:
            for place, layout in ranges.items():
                if layout == (shown.decimals, reading.scale):
                    return Digits(f"{place}", shown.digits, function, sign)
        raise refusal(form, f"{reading.display!r} with the prefix 10^{reading.scale} in {reading.function}: no range")
    # Without a number the range is not seen; the highest one with this prefix is where an autorange meter ends.
    status = sign | OVERLOAD if reading.state is State.OVERLOAD else sign
    for function, ranges in dials:
        for place, (_, scale) in reversed(list(ranges.items())):
            if scale == reading.scale:
                return Digits(f"{place}", full_scale, function, status)
    raise refusal(form, f"the prefix 10^{reading.scale} in {reading.function}")


def coupling(function: Function) -> int:
    """The DC or AC bit; other functions set none (a part may do so, and it means nothing there)."""
    if function not in (*VOLTAGES, *CURRENTS):
        return 0
    return DC if function in (Function.DC_VOLTAGE, Function.DC_CURRENT) else AC


def character(bits: int) -> str:
    """Four bits as a character from 0x30 to 0x3F."""
    return chr(0x30 | bits)
