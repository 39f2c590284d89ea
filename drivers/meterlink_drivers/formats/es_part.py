"""Frames of the ES519xx and ES5198x family: characters 30 to 3F hex, then CR LF, 7O1. Shared by its parts' formats.

Range, digits, function, status, options, each one character `011xxxx`. The point is not sent: it follows from range and
function by the part's own table, and nothing in the frame says which part it is. There is no checksum beyond the parity
of each character, so a frame becomes a reading only when exactly as many characters stand before CR LF as the part
sends, the digits are digits, the range is in the table of the function, and no bit is set that the part does not name.

Resynchronisation: CR and LF stand nowhere else, so a frame begins after LF, after any other foreign byte, and at the
start of a stream. A longer run of characters is thrown away to its end: a byte too many among the digits would
otherwise pass for another number. Less than one frame is ever held, and what was begun is thrown away when more comes
only after 100 ms: a block takes 46 ms at most, and the halves of two blocks must not make one.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import NamedTuple

from meterlink.reading import NS_PER_S, Flag, Function, Instant, Reading

_END = b"\r\n"
_TOO_LATE_NS = NS_PER_S // 10
_PREFIXES = {"n": -9, "u": -6, "m": -3, "k": 3, "M": 6}
_FLAGS = {
    "BATT": Flag.LOW_BATTERY,
    "MAX": Flag.MAXIMUM,
    "MIN": Flag.MINIMUM,
    "REL": Flag.RELATIVE,
    "RMR": Flag.RELATIVE,  # named beside REL; what it recalls is not told, so it is no plain value
    "PMAX": Flag.PEAK,
    "PMIN": Flag.PEAK,
    "AUTO": Flag.AUTO_RANGE,
    "HOLD": Flag.HOLD,
}


class Scale(NamedTuple):
    """Where the point stands and which prefix is shown."""

    decimals: int
    power: int


def scales(full_scales: str) -> Mapping[str, Scale]:
    """Turn a row of full scales, as data sheets print them, into the scale of each range character from `0` on.

    Args:
        full_scales: separated by blanks: `2.2000 22.000 220.00m`; `-` where there is no such range.
    """
    return {
        chr(ord("0") + place): Scale(len(text.rstrip("numkM").partition(".")[2]), _PREFIXES.get(text[-1], 0))
        for place, text in enumerate(full_scales.split())
        if text != "-"
    }


class Mode(NamedTuple):
    """What a function character selects."""

    direct: Function
    """The function with DC lit."""
    alternating: Function
    """The function with AC lit. The same where coupling has no meaning; the chips light DC there too."""
    ranges: Mapping[str, Scale]


def volts(full_scales: str) -> Mode:
    """A mode that measures volts, DC or AC."""
    return Mode(Function.DC_VOLTAGE, Function.AC_VOLTAGE, scales(full_scales))


def amperes(full_scales: str) -> Mode:
    """A mode that measures amperes, DC or AC."""
    return Mode(Function.DC_CURRENT, Function.AC_CURRENT, scales(full_scales))


def plain(function: Function, full_scales: str) -> Mode:
    """A mode without coupling."""
    return Mode(function, function, scales(full_scales))


@dataclass(frozen=True, slots=True)
class Part:
    """One part of the family."""

    digits: int
    options: tuple[str, ...]
    """The names of the four bits of each option character, bit 3 first, separated by blanks; `0` for one never set."""
    mode: Callable[[str, frozenset[str]], Mode | None]
    """Finds the mode by the function character and the names of the bits set; None where its number is not known."""


_STATUS = "JUDGE minus BATT OL"


class EsDecoder:
    """Decodes one stream of a part. A reading is returned as soon as the LF of its frame is fed."""

    def __init__(self, part: Part) -> None:
        self.skipped = 0
        self._part = part
        self._length = 3 + part.digits + len(part.options)
        self._held = bytearray()
        self._too_long = False
        self._fed_ns = 0

    def feed(self, data: bytes, at: Instant) -> list[Reading]:
        """Take the next bytes; see `meterlink.driver.Decoder`."""
        if data:
            self._give_up_after_a_silence(at.monotonic_ns)
        readings = []
        for byte in data:
            self._place(byte)
            if len(self._held) == self._length + len(_END):
                reading = _reading(bytes(self._held), self._part, at)
                if reading is None:
                    self.skipped += len(self._held)
                else:
                    readings.append(reading)
                self._held.clear()
        return readings

    def poll(self, at: Instant) -> bytes:
        """Nothing is ever asked: the meter streams."""
        return b""

    def _give_up_after_a_silence(self, now_ns: int) -> None:
        if now_ns - self._fed_ns > _TOO_LATE_NS:
            self.skipped += len(self._held)
            self._held.clear()
            self._too_long = False
        self._fed_ns = now_ns

    def _place(self, byte: int) -> None:
        is_character = byte >> 4 == 3
        behind = len(self._held) - self._length  # 0: CR is due, 1: LF is due
        if (is_character and behind < 0 and not self._too_long) or (behind >= 0 and byte == _END[behind]):
            self._held.append(byte)
            return
        self.skipped += len(self._held) + 1
        self._held.clear()
        self._too_long = is_character and behind != 1
        if is_character and behind == 1:  # LF is missing: the character begins the next frame
            self.skipped -= 1
            self._held.append(byte)


def _reading(frame: bytes, part: Part, at: Instant) -> Reading | None:
    text = frame.decode("ascii")
    digits, function = text[1 : 1 + part.digits], text[1 + part.digits]
    lit = _lit(frame[2 + part.digits : -len(_END)], (_STATUS, *part.options))
    if lit is None or not digits.isdecimal():
        return None
    mode = part.mode(function, lit)
    scale = None if mode is None else mode.ranges.get(text[0])
    selected = None if mode is None else _coupled(mode, lit)
    if scale is None or selected is None:
        return None
    flags = frozenset(flag for name, flag in _FLAGS.items() if name in lit)
    return Reading(_display(digits, scale, lit), selected.unit, selected, at, scale.power, flags, frame)


def _lit(characters: bytes, rows: tuple[str, ...]) -> frozenset[str] | None:
    """Return the names of the bits set; None where one is set that has no name."""
    names = {
        name
        for character, row in zip(characters, rows, strict=True)
        for bit, name in zip((3, 2, 1, 0), row.split(), strict=True)
        if character >> bit & 1
    }
    return None if "0" in names else frozenset(names)


def _coupled(mode: Mode, lit: frozenset[str]) -> Function | None:
    if mode.direct is mode.alternating:
        return mode.direct
    match "DC" in lit, "AC" in lit:
        case True, False:
            return mode.direct
        case False, True:
            return mode.alternating
        case _:  # neither, or both at once, which no step asks for
            return None


def _display(digits: str, scale: Scale, lit: frozenset[str]) -> str:
    sign = "-" if "minus" in lit else ""
    if "UL" in lit:  # before OL: both together are reported from a change of range, and then there is no value
        return ""
    if "OL" in lit:
        return f"{sign}OL"
    whole = len(digits) - scale.decimals
    return f"{sign}{digits[:whole]}.{digits[whole:]}" if scale.decimals else f"{sign}{digits}"
