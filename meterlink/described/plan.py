"""A description made ready to run: everything is a table from the bits of a place to what they mean. Pure."""

import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from itertools import pairwise

from meterlink.described.bits import Coding, Place
from meterlink.reading import Flag, Function, Instant, Reading

try:
    import bitstruct.c as bitstruct  # written in C, for CPython
except ImportError:
    import bitstruct

_NUMBER = re.compile(r"\d+(\.\d+)?|\.\d+", re.ASCII)

_WIDEST = 64
"""The most bits that bitstruct's C part takes at once."""

Values = Sequence[int]
"""What the places of a frame hold, by the places' numbers."""
Test = tuple[tuple[int, frozenset[int]], ...]
"""Places by number, and the values that they must all have."""


@dataclass(frozen=True, slots=True)
class Row:
    """One function of the dial."""

    test: Test
    function: Function
    unit: str
    scale: int
    decimals: int
    ranges: Mapping[int, tuple[int, int]] | None
    """Value of the range place to digits behind the point and power of ten; None where there are no ranges."""
    scales: frozenset[int] | None
    """The powers of ten of a prefix shown with it; None: any."""


@dataclass(frozen=True, slots=True)
class Number:
    """A binary-coded whole number."""

    place: int
    coding: Coding
    width: int
    times: Decimal

    def read(self, value: int) -> int | None:
        """The number that the bits make; None where they make none."""
        match self.coding:
            case Coding.SIGNED:
                return value - (value >> self.width - 1 << self.width)
            case Coding.BCD:
                digits = f"{value:0{self.width // 4}x}"
            case Coding.TEXT:
                digits = value.to_bytes(self.width // 8).decode("latin-1")
            case _:
                return value
        return int(digits) if digits.isascii() and digits.isdigit() else None


class Unpacker:
    """Takes a frame's places out of its bits."""

    def __init__(self, length: int, places: Sequence[Place]) -> None:
        cuts = {0, 8 * length, *range(0, 8 * length, _WIDEST)}
        for place in places:
            cuts.update(bit for before, bit in pairwise((None, *place.bits)) if before is None or bit != before + 1)
            cuts.update(bit + 1 for bit, after in pairwise((*place.bits, None)) if bit is not None and after != bit + 1)
        widths = {start: end - start for start, end in pairwise(sorted(cuts))}
        used = {bit for place in places for bit in place.bits}
        kinds = (f"{'u' if start in used else 'p'}{width}" for start, width in widths.items())
        self._unpack: Callable[[bytes], tuple[int, ...]] = bitstruct.compile("".join(kinds)).unpack
        numbers = {start: number for number, start in enumerate(start for start in widths if start in used)}
        self._parts = [list(_parts(place, widths, numbers)) for place in places]

    def __call__(self, frame: bytes) -> list[int]:
        """What each place holds."""
        atoms = self._unpack(frame)
        values = []
        for parts in self._parts:
            value = 0
            for number, shift in parts:
                value |= atoms[number] << shift
            values.append(value)
        return values


def _parts(place: Place, widths: Mapping[int, int], numbers: Mapping[int, int]) -> Iterator[tuple[int, int]]:
    """Yield the numbers of the pieces that make up a place, each with how far it is shifted to the left."""
    done = 0
    while done < len(place.bits):
        start = place.bits[done]
        done += widths[start]
        yield numbers[start], len(place.bits) - done


@dataclass(frozen=True, slots=True)
class Plan:
    """How to find frames and read them."""

    length: int
    key: int
    """What the frame is scrambled with, as one number of `length` bytes; 0: nothing."""
    whole: re.Pattern[bytes]
    """A whole frame, as far as single bytes tell."""
    begun: tuple[re.Pattern[bytes], ...]
    """The first so many bytes of one, by their number, less than a whole."""
    gap_ns: int | None
    never_after: frozenset[int]
    """The bytes that never stand right before a frame."""
    tails: re.Pattern[bytes] | None
    """Finds each byte that can be a frame's last; group 1 is the byte behind it."""
    foreign: frozenset[int]
    """The bytes behind a frame that say that the stream is another chip's."""
    sums: tuple[Callable[[bytes, Values], bool], ...]
    """The checksum, if any: unscrambled frame and values to whether it is right."""
    unpack: Unpacker
    require: Test
    """Of places that take several bytes; `whole` knows the others."""
    refuse: tuple[Test, ...]
    overload: tuple[Test, ...]
    blank: tuple[Test, ...]
    minus: Test | None
    digits: tuple[int, ...]
    glyphs: tuple[Mapping[int, str], ...]
    """What each digit's bits show."""
    drop_zeros: bool
    number: Number | None
    point: tuple[int, Mapping[int, int]] | None
    """A place, and the digits behind the point for its values."""
    prefix: tuple[int, Mapping[int, int]] | None
    """A place, and the power of ten for its values."""
    range: int | None
    dial: int | None
    """A place that every row goes by; None where they have none in common."""
    rows: Mapping[int, tuple[Row, ...]]
    """By the value of `dial`; under 0 where there is none."""
    flags: tuple[int, Mapping[int, frozenset[Flag]]] | None

    def read(self, frame: bytes, at: Instant) -> Reading | None:
        """Read one frame that `whole` matches; None where it makes no sense."""
        plain = frame
        if self.key:
            plain = (int.from_bytes(frame) ^ self.key).to_bytes(self.length)
        values = self.unpack(plain)
        if not _holds(self.require, values) or any(_holds(test, values) for test in self.refuse):
            return None
        if not all(right(plain, values) for right in self.sums):
            return None
        row = self._row(values)
        decimals = None if row is None else self._decimals(row, values)
        scale = None if row is None else self._scale(row, values)
        if row is None or decimals is None or scale is None:
            return None
        display = self._display(values, decimals)
        if display is None:
            return None
        flags = self.flags[1][values[self.flags[0]]] if self.flags else frozenset[Flag]()
        step = None
        if self.number and self.number.times != 1:
            step = self.number.times.scaleb(scale - decimals)
        return Reading(display, row.unit, row.function, at, scale, flags, frame, step)

    def _row(self, values: Values) -> Row | None:
        rows = self.rows.get(0 if self.dial is None else values[self.dial], ())
        return next((row for row in rows if _holds(row.test, values)), None)

    def _decimals(self, row: Row, values: Values) -> int | None:
        if row.ranges is not None:
            assert self.range is not None  # noqa: S101 - ranges without it are refused when the plan is made
            return row.ranges.get(values[self.range], (None, 0))[0]
        if self.point is None:
            return row.decimals
        return self.point[1].get(values[self.point[0]])

    def _scale(self, row: Row, values: Values) -> int | None:
        if row.ranges is not None and self.range is not None:
            return row.ranges[values[self.range]][1] if values[self.range] in row.ranges else None
        if self.prefix is None:
            return row.scale
        shown = self.prefix[1].get(values[self.prefix[0]])
        if shown is None or (row.scales is not None and shown not in row.scales):
            return None
        return row.scale + shown

    def _display(self, values: Values, decimals: int) -> str | None:
        """Return the display's text; empty for blank or dashes, None for what no meter shows."""
        sign = "-" if self.minus is not None and _holds(self.minus, values) else ""
        text = self._number(values, decimals, sign) if self.number else self._digits(values, decimals, sign)
        if text is None:
            return None
        if any(_holds(test, values) for test in self.blank):  # before overload: of both, no value claims less
            return ""
        return f"{sign}OL" if any(_holds(test, values) for test in self.overload) else text

    def _number(self, values: Values, decimals: int, sign: str) -> str | None:
        assert self.number is not None  # noqa: S101 - asked before
        count = self.number.read(values[self.number.place])
        if count is None:
            return None
        size = (abs(count) * self.number.times).scaleb(-decimals)
        if self.number.times != 1:
            size = size.normalize()
        return f"{'-' if count < 0 else sign}{size:f}"

    def _digits(self, values: Values, decimals: int, sign: str) -> str | None:
        shown = [glyphs.get(values[place]) for place, glyphs in zip(self.digits, self.glyphs, strict=True)]
        text = "".join(character or "?" for character in shown)
        if not text.isdigit():
            if set(text) <= {" ", "-"}:
                return ""
            if text.count("L") == 1 and set(text) <= {"L", "0", " "}:
                return f"{sign}OL"
        if decimals:
            text = f"{text[:-decimals]}.{text[-decimals:]}"
        text = text.lstrip(" ")
        if not _NUMBER.fullmatch(text):
            return None
        if self.drop_zeros:
            whole, point, fraction = text.partition(".")
            text = f"{whole.lstrip('0') or '0'}{point}{fraction}"
        return f"{sign}{text}"


def _holds(test: Test, values: Values) -> bool:
    return all(values[place] in wanted for place, wanted in test)
