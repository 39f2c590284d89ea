"""The frame that copies a display's segments, four to a byte. Shared by the FS9721_LP3 and the DTM0660.

The high nibble of each byte counts from 1, the low nibble holds four segments; bytes 1 to 13 carry the same symbols on
both chips. There is no checksum, so whatever the display cannot show is refused: a frame becomes a reading only when
its bytes are contiguous and in order, its four digits are known glyphs with at most one point, and its symbols name one
function and a prefix that goes with it.
"""

from collections.abc import Sequence, Set
from functools import lru_cache
from typing import NamedTuple

from meterlink.reading import Flag, Instant, Reading
from meterlink.seven_segment import glyphs
from meterlink_drivers.formats.display_text import display_text
from meterlink_drivers.formats.quantity import Quantity, quantity

_GLYPHS = glyphs("efadcgb")
_POINTS = (4, 6, 8)
"""The byte indexes whose bit 3 is the point before the second, third and fourth digit."""


class Lamp(NamedTuple):
    """Where a symbol's segment stands: the byte (from 1) and its bit (0 to 3)."""

    byte: int
    bit: int


Symbols = frozenset[tuple[str, Lamp]]
"""Symbols with their places."""

SYMBOLS: Symbols = frozenset(
    {
        ("AC", Lamp(1, 3)),
        ("DC", Lamp(1, 2)),
        ("diode", Lamp(10, 0)),
        ("%", Lamp(11, 2)),
        ("beeper", Lamp(11, 0)),
        ("F", Lamp(12, 3)),
        ("Ohm", Lamp(12, 2)),
        ("A", Lamp(13, 3)),
        ("V", Lamp(13, 2)),
        ("Hz", Lamp(13, 1)),
    }
)
_MINUS = Lamp(2, 3)
_PREFIXES = {-6: Lamp(10, 3), -9: Lamp(10, 2), 3: Lamp(10, 1), -3: Lamp(11, 3), 6: Lamp(11, 1)}
_FLAGS = {
    Flag.AUTO_RANGE: Lamp(1, 1),
    Flag.RELATIVE: Lamp(12, 1),
    Flag.HOLD: Lamp(12, 0),
    Flag.LOW_BATTERY: Lamp(13, 0),
}


def lcd_places(length: int) -> Sequence[Set[int]]:
    """Return the bytes that may stand at each place of a frame of this length: those with its index."""
    return [frozenset(range(index << 4, (index << 4) + 16)) for index in range(1, length + 1)]


def lcd_reading(frame: bytes, symbols: Symbols, at: Instant) -> Reading | None:
    """Read one frame whose indexes are right; None where its symbols or digits make no sense."""
    shown = _shown(frame, symbols)
    if shown is None:
        return None
    display, what, flags = shown
    return Reading(display, what.unit, what.function, at, what.scale, flags, frame)


@lru_cache(maxsize=1024)  # a display shows the same few pictures over and over
def _shown(frame: bytes, symbols: Symbols) -> tuple[str, Quantity, frozenset[Flag]] | None:
    def lit(lamp: Lamp) -> bool:
        return bool(frame[lamp.byte - 1] >> lamp.bit & 1)

    shown = quantity(
        {name for name, lamp in symbols if lit(lamp)},
        [power for power, lamp in _PREFIXES.items() if lit(lamp)],
    )
    display = _display(frame, minus=lit(_MINUS))
    if shown is None or display is None:
        return None
    return display, shown, frozenset(flag for flag, lamp in _FLAGS.items() if lit(lamp))


def _display(frame: bytes, *, minus: bool) -> str | None:
    digits = [_GLYPHS.get((frame[first] & 7) << 4 | frame[first + 1] & 15, "?") for first in (1, 3, 5, 7)]
    points = [place for place, index in enumerate(_POINTS, start=1) if frame[index - 1] & 8]
    if len(points) > 1:
        return None
    return display_text("".join(digits), points[0] if points else None, minus=minus)
