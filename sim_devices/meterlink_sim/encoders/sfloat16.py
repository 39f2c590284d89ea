"""SFLOAT, the 16-bit decimal floating point number of IEEE 11073-20601, little-endian.

Special values by a published quotation of the definition. A blank display is sent as NaN; "not at this resolution"
and the reserved value mean no number as well, and are not sent.
"""

import struct

from meterlink.reading import Function, Reading, State
from meterlink_sim.encoders.parts import check, refusal

_FORM = "SFLOAT"
_NAN, _INFINITY, _MINUS_INFINITY = 0x07FF, 0x07FE, 0x0802
_EXPONENTS = range(-8, 8)
_MANTISSAS = range(-0x800, 0x800)
_SPECIAL = (_NAN, _INFINITY, 0x0800, 0x0801, _MINUS_INFINITY)


def encode(reading: Reading) -> bytes:
    """Write a number of unknown meaning.

    Raises:
        ValueError: it is said to mean something, has a flag, or its digits or their place do not fit.
    """
    check(reading, _FORM)
    if reading.function is not Function.NUMBER:
        raise refusal(_FORM, f"the function {reading.function}")
    return struct.pack("<H", _raw(reading))


def _raw(reading: Reading) -> int:
    counts = reading.counts
    if reading.state is State.OVERLOAD:
        return _MINUS_INFINITY if reading.display.startswith("-") else _INFINITY
    if counts is None:
        return _NAN
    raw = (reading.exponent & 0xF) << 12 | counts & 0xFFF
    if reading.exponent not in _EXPONENTS or counts not in _MANTISSAS or raw in _SPECIAL:
        raise refusal(_FORM, f"{reading.display!r} with the prefix 10^{reading.scale}")
    return raw
