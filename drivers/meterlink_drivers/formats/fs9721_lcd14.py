"""The 14-byte frame of the FS9721_LP3: a copy of the display's segments, streamed at 2400 8N1.

The high nibble of each byte counts 1 to E, the low nibble holds four segments. There is no checksum, so whatever the
display cannot show is refused: a frame becomes a reading only when its 14 bytes are contiguous and in order, its four
digits are known glyphs with at most one point, and its symbols name one function and at most one prefix.

Resynchronisation: a byte that does not carry the next index throws away what was gathered. It starts the next frame if
its own index is 1, and is thrown away too if not. So one damaged byte costs one frame, and 14 bytes are the most
that are ever held.
"""

import re
from collections.abc import Mapping
from typing import NamedTuple

from meterlink.driver import Format, LineSettings
from meterlink.errors import UsageError
from meterlink.reading import Flag, Function, Instant, Reading
from meterlink.seven_segment import glyphs

FRAME_LENGTH = 14

_GLYPHS = glyphs("efadcgb")
_POINTS = (4, 6, 8)
"""The byte indexes whose bit 3 is the point before the second, third and fourth digit."""
_NUMBER = re.compile(r"\d+(\.\d+)?|\.\d+", re.ASCII)


class _Lamp(NamedTuple):
    """Where a symbol's segment stands: the byte (1 to 14) and its bit (0 to 3)."""

    byte: int
    bit: int


_MINUS = _Lamp(2, 3)
_SYMBOLS = {
    "AC": _Lamp(1, 3),
    "DC": _Lamp(1, 2),
    "diode": _Lamp(10, 0),
    "%": _Lamp(11, 2),
    "beeper": _Lamp(11, 0),
    "F": _Lamp(12, 3),
    "Ohm": _Lamp(12, 2),
    "A": _Lamp(13, 3),
    "V": _Lamp(13, 2),
    "Hz": _Lamp(13, 1),
}
_PREFIXES = {-6: _Lamp(10, 3), -9: _Lamp(10, 2), 3: _Lamp(10, 1), -3: _Lamp(11, 3), 6: _Lamp(11, 1)}
_FLAGS = {
    Flag.AUTO_RANGE: _Lamp(1, 1),
    Flag.RELATIVE: _Lamp(12, 1),
    Flag.HOLD: _Lamp(12, 0),
    Flag.LOW_BATTERY: _Lamp(13, 0),
}
_FUNCTIONS = {
    frozenset({"DC", "V"}): Function.DC_VOLTAGE,
    frozenset({"AC", "V"}): Function.AC_VOLTAGE,
    frozenset({"diode", "V"}): Function.DIODE,
    frozenset({"Ohm"}): Function.RESISTANCE,
    frozenset({"beeper", "Ohm"}): Function.CONTINUITY,
    frozenset({"DC", "A"}): Function.DC_CURRENT,
    frozenset({"AC", "A"}): Function.AC_CURRENT,
    frozenset({"F"}): Function.CAPACITANCE,
    frozenset({"Hz"}): Function.FREQUENCY,
    frozenset({"AC", "Hz"}): Function.FREQUENCY,  # a meter that counts on its AC range may keep AC lit (from memory)
    frozenset({"%"}): Function.DUTY,
    frozenset({"AC", "%"}): Function.DUTY,
    frozenset({"Cel"}): Function.TEMPERATURE,
}
"""Every set of symbols that makes sense; any other is a damaged frame or another chip's."""


class Fs9721Decoder:
    """Decodes one stream. A reading is returned as soon as the last byte of its frame is fed."""

    def __init__(self, celsius_bit: int | None = None) -> None:
        self.skipped = 0
        self._symbols = _SYMBOLS if celsius_bit is None else {**_SYMBOLS, "Cel": _Lamp(14, celsius_bit)}
        self._frame = bytearray()

    def feed(self, data: bytes, at: Instant) -> list[Reading]:
        """Take the next bytes; see `meterlink.driver.Decoder`."""
        readings = []
        for byte in data:
            self._place(byte)
            if len(self._frame) == FRAME_LENGTH:
                reading = _reading(bytes(self._frame), self._symbols, at)
                if reading is None:
                    self.skipped += FRAME_LENGTH
                else:
                    readings.append(reading)
                self._frame.clear()
        return readings

    def poll(self, at: Instant) -> bytes:
        """Nothing is ever asked: the meter streams."""
        return b""

    def _place(self, byte: int) -> None:
        index = byte >> 4
        if index != len(self._frame) + 1:
            self.skipped += len(self._frame)
            self._frame.clear()
        if index == len(self._frame) + 1:
            self._frame.append(byte)
        else:
            self.skipped += 1


def _reading(frame: bytes, symbols: Mapping[str, _Lamp], at: Instant) -> Reading | None:
    """Read one frame whose indexes are right; None where its symbols or digits make no sense."""

    def lit(lamp: _Lamp) -> bool:
        return bool(frame[lamp.byte - 1] >> lamp.bit & 1)

    function = _FUNCTIONS.get(frozenset(name for name, lamp in symbols.items() if lit(lamp)))
    scales = [power for power, lamp in _PREFIXES.items() if lit(lamp)]
    display = _display(frame, minus=lit(_MINUS))
    if function is None or display is None or len(scales) > 1:
        return None
    if scales and function.unit in ("%", "Cel"):
        return None
    flags = frozenset(flag for flag, lamp in _FLAGS.items() if lit(lamp))
    return Reading(display, function.unit, function, at, sum(scales), flags, frame)


def _display(frame: bytes, *, minus: bool) -> str | None:
    """Return the display's text, `OL` or `-OL`, empty for blank or dashes; None for what no meter shows."""
    digits = [_GLYPHS.get((frame[first] & 7) << 4 | frame[first + 1] & 15) for first in (1, 3, 5, 7)]
    points = [place for place, index in enumerate(_POINTS, start=1) if frame[index - 1] & 8]
    if len(points) > 1:
        return None
    text = "".join(digit or "?" for digit in digits)
    sign = "-" if minus else ""
    if set(text) <= {" ", "-"}:
        return ""
    if text.count("L") == 1 and set(text) <= {"L", "0", " "}:
        return f"{sign}OL"
    for place in points:
        text = f"{text[:place]}.{text[place:]}"
    number = text.lstrip(" ")
    return f"{sign}{number}" if _NUMBER.fullmatch(number) else None


def _decoder(options: Mapping[str, str]) -> Fs9721Decoder:
    bit = options.get("celsius-bit")
    if bit is None:
        return Fs9721Decoder()
    if bit not in ("0", "1", "2", "3"):
        raise UsageError(f"celsius-bit {bit!r}: expected 0, 1, 2 or 3")
    return Fs9721Decoder(int(bit))


FORMAT = Format(
    name="fs9721-lcd14",
    summary="14-byte display copy of the FS9721_LP3, streamed at 2400 8N1",
    source="FS9721_LP3 data sheet, segment table, by way of transcriptions that agree; byte E differs between meters",
    decoder=_decoder,
    line=LineSettings(baud=2400),
    options={"celsius-bit": "which user bit of the last byte (0 to 3) means degrees Celsius; without it none does"},
)
