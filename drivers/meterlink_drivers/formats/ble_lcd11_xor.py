"""The 11-byte display copy of Bluetooth LE meters, scrambled with a fixed key: type 3.

Each byte is exclusive-or'ed with the key; plain, a frame begins with 5A A5 03, so on the air with 1B 84 70. Then come
the segments of four digits and the symbols, one bit each. The prefix is part of the unit's symbol. Types 1 and 2 (of 10
bytes) and 4 are reported too, but no layout of theirs is published: they are refused. So is a frame with a symbol lit
that nobody has named; low battery may be one of those.

There is no checksum: a frame becomes a reading only when its digits are known glyphs with at most one point, and
exactly one unit is lit, with a function that goes with it. How the next frame is found after a damaged one stands in
`fixed_frames`; less than one frame is ever held. A begun frame is thrown away when nothing follows within 50 ms, as in
`ble_count6`; where notifications are cut means nothing.
"""

from meterlink.driver import Format, LineSettings
from meterlink.reading import FAHRENHEIT, Flag, Instant, Reading
from meterlink.seven_segment import glyphs
from meterlink_drivers.formats.display_text import display_text
from meterlink_drivers.formats.fixed_frames import ANY, FixedFrames
from meterlink_drivers.formats.quantity import quantity
from meterlink_drivers.formats.vendor_service import VENDOR_SERVICE

_KEY = bytes.fromhex("41 21 73 55 A2 C1 32 71 66 AA 3B")
_TYPE_3 = bytes.fromhex("5A A5 03")
_LONGEST_PAUSE_NS = 50_000_000
_PLACES = [
    *(frozenset({plain ^ key}) for plain, key in zip(_TYPE_3, _KEY, strict=False)),
    *[ANY] * (len(_KEY) - len(_TYPE_3)),
]
_GLYPHS = glyphs("bgcdafe")
"""Segments above the point's bit, most significant first."""

_DIGITS = (28, 36, 44, 52)
"""The lowest bit of each digit: the minus sign before the first, the point before each of the others."""
_UNNAMED = (24, 81, 84, 85, 86, 87)
_SYMBOLS = {"beeper": 27, "diode": 63, "AC": 67, "DC": 78}
_UNITS = {
    61: (FAHRENHEIT, 0), 62: ("Cel", 0), 66: ("%", 0), 68: ("F", 0), 69: ("F", -6), 70: ("F", -3), 71: ("F", -9),
    72: ("Hz", 0), 73: ("Ohm", 0), 74: ("Ohm", 3), 75: ("Ohm", 6), 76: ("V", 0), 77: ("V", -3), 79: ("A", 0),
    82: ("A", -6), 83: ("A", -3),
}  # fmt: skip
"""Unit and prefix of each unit symbol, by its bit. Bit 26, the Bluetooth symbol, says nothing about the number."""
_FLAGS = {Flag.RELATIVE: 25, Flag.HOLD: 60, Flag.MAXIMUM: 64, Flag.MINIMUM: 65, Flag.AUTO_RANGE: 80}


def _reading(frame: bytes, at: Instant) -> Reading | None:
    bits = int.from_bytes((byte ^ key for byte, key in zip(frame, _KEY, strict=True)), "little")

    def lit(bit: int) -> bool:
        return bool(bits >> bit & 1)

    units = [unit for bit, unit in _UNITS.items() if lit(bit)]
    if len(units) != 1 or any(map(lit, _UNNAMED)):
        return None
    unit, power = units[0]
    shown = quantity({unit, *(name for name, bit in _SYMBOLS.items() if lit(bit))}, [power])
    points = [place for place, bit in enumerate(_DIGITS[1:], start=1) if lit(bit)]
    digits = "".join(_GLYPHS.get(bits >> bit + 1 & 0x7F, "?") for bit in _DIGITS)
    if shown is None or len(points) > 1:
        return None
    display = display_text(digits, points[0] if points else None, minus=lit(_DIGITS[0]))
    if display is None:
        return None
    flags = frozenset(flag for flag, bit in _FLAGS.items() if lit(bit))
    return Reading(display, shown.unit, shown.function, at, shown.scale, flags, frame)


FORMAT = Format(
    name="ble-lcd11-xor",
    summary="11-byte scrambled display copy of Bluetooth LE meters (type 3)",
    source="public protocol notes and discussion of 2021 to 2023: key, bit map, a capture; service and characteristic "
    "from memory",
    decoder=lambda options: FixedFrames(_PLACES, _reading, _LONGEST_PAUSE_NS),
    line=LineSettings(gatt=VENDOR_SERVICE),
)
