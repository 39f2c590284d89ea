"""Characters of seven bits and a parity bit, whether the port has taken the parity bit off or not.

A serial port set to 7O1 hands over seven bits. Behind a network adapter, a pseudo-terminal or a port that was opened as
8N1 the parity bit arrives as bit 7; 7O1, 7E1, 7N2 and 8N1 are all characters of ten bits. Here it is checked and taken
off. A damaged character becomes `DAMAGED`, which is no character of any seven-bit format, so its frame is refused.
"""

from collections import deque

DAMAGED = 0xFF
"""Stands for a character whose parity was wrong."""

_RECENT = 32
_FEWEST_SET = 4
_MOST_WRONG = 4


class SevenBits:
    """One stream. Works out from the newest 32 bytes whether the parity bit is still in them.

    It is where at least 4 of them have bit 7 set and at most 4 of all have a wrong parity. With the parity taken off
    none has bit 7 set, and about half would seem wrong. A set bit 7 with a wrong parity is damage in any case.
    """

    def __init__(self, parity: str) -> None:
        """Prepare for a stream.

        Args:
            parity: as pyserial names it: `O`, `E`, `S`, `M`; with `N` the second stop bit reads as a set bit 7.
        """
        self._good = frozenset(byte for byte in range(256) if _fits(byte, parity))
        self._recent: deque[int] = deque(maxlen=_RECENT)

    def feed(self, data: bytes) -> bytes:
        """Take bytes as the port gave them; return as many, each seven bits or `DAMAGED`."""
        return bytes(map(self._character, data))

    def _character(self, byte: int) -> int:
        self._recent.append(byte)
        if byte in self._good:
            return byte & 0x7F
        return DAMAGED if byte & 0x80 or self._parity_is_there() else byte

    def _parity_is_there(self) -> bool:
        wrong = sum(byte not in self._good for byte in self._recent)
        bit_set = sum(byte >= 0x80 for byte in self._recent)
        return bit_set >= _FEWEST_SET and wrong <= _MOST_WRONG


def _fits(byte: int, parity: str) -> bool:
    match parity:
        case "O":
            return byte.bit_count() % 2 == 1
        case "E":
            return byte.bit_count() % 2 == 0
        case "S":
            return byte < 0x80
        case _:
            return byte >= 0x80
