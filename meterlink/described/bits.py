"""Places in a frame and values there, as a description writes them.

A **place** is one or several pieces, the most significant first: byte `3`, bytes `4-5`, a bit `7.5`, bits `7.5-2`.
Bytes count from 0, bits from 7 (most significant) to 0. A piece may run either way: `5-4` is two bytes with the least
significant first in the frame, `3.5-7` three bits with bit 5 the most significant. A word before says how the bits
are coded: `signed` (two's complement), `bcd` (a decimal digit in four bits), `text` (ASCII).

A **value** is a number, `10` or `0x0A`, or a span of numbers with both ends, `0x30..0x39`; in a `text` place the text.
"""

import re
from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum

MAX_BYTES = 64
"""The longest frame that can be described."""
MAX_VALUES = 65_536
"""The most numbers that one span may hold."""

_PIECE = re.compile(r"(\d+)(?:-(\d+)|\.([0-7])(?:-([0-7]))?)?", re.ASCII)
_NUMBER = re.compile(r"0x[0-9A-Fa-f]{1,16}|\d{1,20}", re.ASCII)
_BYTE = re.compile(r"[0-9A-Fa-f?]{2}")
PLACE_HINT = "expected bytes and bits, such as 3, 4-5, 7.5 or '5.6-0 4'"


class Coding(StrEnum):
    """How the bits of a place are read."""

    UNSIGNED = "unsigned"
    SIGNED = "signed"
    BCD = "bcd"
    TEXT = "text"


@dataclass(frozen=True, slots=True)
class Place:
    """Bits of a frame that belong together."""

    bits: tuple[int, ...]
    """Each counted from the first byte's most significant bit, the place's most significant first."""
    coding: Coding = Coding.UNSIGNED

    @property
    def bytes(self) -> frozenset[int]:
        """The bytes it touches."""
        return frozenset(bit // 8 for bit in self.bits)


def bits_of(byte: int, place: Place) -> int:
    """What a place within one byte holds where that byte has a value."""
    value = 0
    for bit in place.bits:
        value = value << 1 | byte >> 7 - bit % 8 & 1
    return value


def parse_place(text: str) -> Place:
    """Read a place.

    Raises:
        ValueError: it is none, or uses a bit twice.
    """
    word, _, rest = text.strip().partition(" ")
    coding = Coding(word) if word in list(Coding) else Coding.UNSIGNED
    pieces = rest.split() if word in list(Coding) else text.split()
    bits = tuple(bit for piece in pieces for bit in _piece(text, piece))
    if not bits:
        raise ValueError(f"place {text!r}: {PLACE_HINT}")
    if len(set(bits)) < len(bits):
        raise ValueError(f"place {text!r} uses a bit twice")
    whole = {Coding.TEXT: 8, Coding.BCD: 4}.get(coding, 1)
    if len(bits) % whole:
        raise ValueError(f"place {text!r} has {len(bits)} bits; {coding} needs a multiple of {whole}")
    return Place(bits, coding)


def _piece(text: str, piece: str) -> Iterable[int]:
    match = _PIECE.fullmatch(piece)
    if not match:
        raise ValueError(f"place {text!r}: {PLACE_HINT}")
    first, last, high, low = (None if group is None else int(group[:4]) for group in match.groups())
    assert first is not None  # noqa: S101 - the first group always matches
    if max(first, last or 0) >= MAX_BYTES:
        raise ValueError(f"place {text!r}: a frame has at most {MAX_BYTES} bytes, 0 to {MAX_BYTES - 1}")
    if high is not None:
        return [8 * first + 7 - bit for bit in _between(high, high if low is None else low)]
    return [8 * byte + bit for byte in _between(first, first if last is None else last) for bit in range(8)]


def _between(start: int, end: int) -> range:
    return range(start, end + 1) if start <= end else range(start, end - 1, -1)


def parse_values(texts: Iterable[str], place: Place) -> frozenset[int]:
    """Read the values that a place may have, as the unsigned numbers that its bits make.

    Raises:
        ValueError: one is no value, or does not fit the place.
    """
    return frozenset(value for text in texts for value in _span(text, place))


def _span(text: str, place: Place) -> Iterable[int]:
    if place.coding is Coding.TEXT:
        if not text.isascii() or len(text) * 8 != len(place.bits):
            raise ValueError(f"{text!r}: expected {len(place.bits) // 8} ASCII characters, as many as the place holds")
        return [int.from_bytes(text.encode("ascii"))]
    low_text, dots, high_text = text.partition("..")
    low, high = number(low_text), number(high_text if dots else low_text)
    if low > high:
        raise ValueError(f"{text!r}: the lower end comes first")
    if high >> len(place.bits):
        raise ValueError(f"{text!r}: {len(place.bits)} bits hold at most {(1 << len(place.bits)) - 1}")
    if high - low >= MAX_VALUES:
        raise ValueError(f"{text!r}: more than {MAX_VALUES} values")
    return range(low, high + 1)


def number(text: str) -> int:
    """Read a whole number, `10` or `0x0A`.

    Raises:
        ValueError: it is none.
    """
    text = text.strip()
    if not _NUMBER.fullmatch(text):
        raise ValueError(f"{text!r}: expected a number such as 10 or 0x0A, or a span such as 0x30..0x39")
    return int(text, 16 if text.startswith("0x") else 10)


def parse_pattern(text: str) -> tuple[frozenset[int], ...]:
    """Read what each byte of a frame may be: hex digits, and `?` for four bits that vary, `02 3? ?? 0D`.

    Raises:
        ValueError: it is no such pattern, or too long.
    """
    parts = text.split()
    for part in parts:
        if not _BYTE.fullmatch(part):
            raise ValueError(f"{part[:20]!r}: expected each byte as two hex digits, ? for any, such as 02 3? ?? 0D")
    if not 1 <= len(parts) <= MAX_BYTES:
        raise ValueError(f"{len(parts)} bytes; expected 1 to {MAX_BYTES}")
    return tuple(
        frozenset(
            byte for byte in range(256) if all(a in ("?", b) for a, b in zip(part.upper(), f"{byte:02X}", strict=True))
        )
        for part in parts
    )
