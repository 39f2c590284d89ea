"""The 14-byte frame of the FS9922-DMM3 and FS9922-DMM4: digits as characters, symbols as bits, streamed at 2400 8N1.

Sign, four digits, a space, the place of the point, four bytes of symbols, the bar graph, CR, LF. The symbols and bar
are binary: CR, LF or a sign may stand among them, so nothing is ever split at CR LF. There is no checksum: a frame
becomes a reading only when every fixed byte stands in its place, the digits make a number (or overload, or nothing) and
the symbols name one function and a prefix that goes with it.

The code `3` for the point is taken like `4`, before the last digit: read as a place or as a bit it can mean nothing
else. Z1 to Z4 belong to the meter's maker; they, the bar and automatic power-off stay undecoded in the raw frame.

How the next frame is found after a damaged one stands in `fixed_frames`; less than one frame is ever held.
"""

from meterlink.driver import Confidence, Format, LineSettings
from meterlink.reading import FAHRENHEIT, Flag, Instant, Reading
from meterlink_drivers.formats.display_text import display_text
from meterlink_drivers.formats.fixed_frames import ANY, FixedFrames
from meterlink_drivers.formats.quantity import quantity
from meterlink_drivers.formats.vendor_service import VENDOR_SERVICE

_CHARACTERS = {**{code: chr(code) for code in b"0123456789"}, ord(":"): "L", ord("?"): " "}
_POINTS = {ord("0"): None, ord("1"): 1, ord("2"): 2, ord("3"): 3, ord("4"): 3}
_DIGIT = frozenset(_CHARACTERS)
_PLACES = [
    frozenset(b"+-"), _DIGIT, _DIGIT, _DIGIT, _DIGIT, frozenset(b" "), frozenset(_POINTS), frozenset(range(0x40)),
    ANY, ANY, ANY, ANY, frozenset(b"\r"), frozenset(b"\n"),
]  # fmt: skip
"""The first byte of symbols has six; its two highest bits are 0."""

_SYMBOLS = {
    "DC": (7, 4), "AC": (7, 3), "beeper": (9, 3), "diode": (9, 2), "%": (9, 1), "V": (10, 7), "A": (10, 6),
    "Ohm": (10, 5), "hFE": (10, 4), "Hz": (10, 3), "F": (10, 2), "Cel": (10, 1), FAHRENHEIT: (10, 0),
}  # fmt: skip
"""Each symbol's byte, counted from 0, and bit."""
_PREFIXES = {-9: (8, 1), -6: (9, 7), -3: (9, 6), 3: (9, 5), 6: (9, 4)}
_FLAGS = {
    Flag.AUTO_RANGE: (7, 5),
    Flag.RELATIVE: (7, 2),
    Flag.HOLD: (7, 1),
    Flag.MAXIMUM: (8, 5),
    Flag.MINIMUM: (8, 4),
    Flag.LOW_BATTERY: (8, 2),
}


def _reading(frame: bytes, at: Instant) -> Reading | None:
    def lit(place: tuple[int, int]) -> bool:
        byte, bit = place
        return bool(frame[byte] >> bit & 1)

    shown = quantity(
        {name for name, place in _SYMBOLS.items() if lit(place)},
        [power for power, place in _PREFIXES.items() if lit(place)],
    )
    characters = "".join(_CHARACTERS[code] for code in frame[1:5])
    display = display_text(characters, _POINTS[frame[6]], minus=frame[0] == ord("-"))
    if shown is None or display is None:
        return None
    flags = frozenset(flag for flag, place in _FLAGS.items() if lit(place))
    return Reading(display, shown.unit, shown.function, at, shown.scale, flags, frame)


FORMAT = Format(
    name="fs9922-ascii14",
    summary="14-byte frame of the FS9922-DMM3 and -DMM4, streamed at 2400 8N1 or over Bluetooth LE",
    source="FS9922_DMM3-DS-11_EN and FS9922_DMM4-DS-15_EN name the parts; the table of bytes is from memory",
    decoder=lambda options: FixedFrames(_PLACES, _reading),
    confidence=Confidence.MEDIUM,
    line=LineSettings(baud=2400, gatt=VENDOR_SERVICE),
)
