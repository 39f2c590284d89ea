"""The 6-byte count record of Bluetooth LE meters: three 16-bit words, low byte first.

Word 0: F in bits 15-12, 0 in 11-10, function in 9-6, prefix in 5-3, decimals in 2-0 (6 under-range, 7 overload).
Word 1: symbols in bits 5-0, the rest 0. Word 2: sign in bit 15 and the magnitude, not two's complement.

There is no mark for a beginning but the fixed bits, and no checksum. How the next record is found after a damaged one
stands in `fixed_frames`; less than one record is ever held. Because fixed bits are few, a begun record is thrown away
when nothing follows within 50 ms: meters send a few records a second, and a lost byte must not shift all that follow.
Where notifications are cut means nothing. A byte lost inside a burst can still join two records into one; Bluetooth
checks and repeats what it carries, so what is lost is a whole notification.
"""

from meterlink.driver import Confidence, Format, LineSettings
from meterlink.reading import FAHRENHEIT, Flag, Function, Instant, Reading
from meterlink_drivers.formats.fixed_frames import ANY, FixedFrames
from meterlink_drivers.formats.quantity import takes_prefix
from meterlink_drivers.formats.vendor_service import VENDOR_SERVICE

_LONGEST_PAUSE_NS = 50_000_000
_UNDER_RANGE, _OVERLOAD = 6, 7
_SCALES = {1: -9, 2: -6, 3: -3, 4: 0, 5: 3, 6: 6}
_PLACES = [
    frozenset(byte for byte in range(256) if byte >> 3 & 7 in _SCALES and byte & 7 != 5),
    frozenset(range(0xF0, 0xF4)),
    frozenset(range(0x40)),
    frozenset({0}),
    ANY,
    ANY,
]
_FUNCTIONS = (
    Function.DC_VOLTAGE,
    Function.AC_VOLTAGE,
    Function.DC_CURRENT,
    Function.AC_CURRENT,
    Function.RESISTANCE,
    Function.CAPACITANCE,
    Function.FREQUENCY,
    Function.DUTY,
    Function.TEMPERATURE,  # Celsius
    Function.TEMPERATURE,  # Fahrenheit
    Function.DIODE,
    Function.CONTINUITY,
    Function.OTHER,  # transistor gain
    Function.OTHER,  # field detection
)
_FAHRENHEIT = 9
_FLAGS = (Flag.HOLD, Flag.RELATIVE, Flag.AUTO_RANGE, Flag.LOW_BATTERY, Flag.MINIMUM, Flag.MAXIMUM)
"""In the order of their bits, from bit 0."""


def _reading(record: bytes, at: Instant) -> Reading | None:
    head, symbols, number = (int.from_bytes(record[start : start + 2], "little") for start in (0, 2, 4))
    code = head >> 6 & 15
    if code >= len(_FUNCTIONS):
        return None
    function, scale = _FUNCTIONS[code], _SCALES[head >> 3 & 7]
    unit = FAHRENHEIT if code == _FAHRENHEIT else function.unit
    if not takes_prefix(unit, scale):
        return None
    flags = frozenset(flag for bit, flag in enumerate(_FLAGS) if symbols >> bit & 1)
    return Reading(_display(head & 7, number), unit, function, at, scale, flags, record)


def _display(decimals: int, number: int) -> str:
    sign, magnitude = "-" if number & 0x8000 else "", number & 0x7FFF
    if decimals == _UNDER_RANGE:
        return ""
    if decimals == _OVERLOAD:
        return f"{sign}OL"
    digits = f"{magnitude:0{decimals + 1}d}"
    whole = len(digits) - decimals
    return f"{sign}{digits[:whole]}.{digits[whole:]}" if decimals else f"{sign}{digits}"


FORMAT = Format(
    name="ble-count6",
    summary="6-byte count record of Bluetooth LE meters",
    source="public article of 2020 and public issue threads of 2018 and 2023 with captures; function, prefix and "
    "symbol codes beyond those captures from memory",
    decoder=lambda options: FixedFrames(_PLACES, _reading, _LONGEST_PAUSE_NS),
    confidence=Confidence.MEDIUM,
    line=LineSettings(gatt=VENDOR_SERVICE),
)
