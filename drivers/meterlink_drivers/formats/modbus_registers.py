"""What Modbus registers hold: the entry of a register map, and the value that it makes of the registers' contents."""

import struct
from dataclasses import dataclass, field
from decimal import ROUND_HALF_EVEN, Decimal
from enum import StrEnum

from meterlink.reading import Function


class Type(StrEnum):
    """How registers hold a number."""

    UINT16 = "uint16"
    INT16 = "int16"
    UINT32 = "uint32"
    INT32 = "int32"
    FLOAT32 = "float32"

    @property
    def registers(self) -> int:
        """How many registers it takes."""
        return 1 if self in (Type.UINT16, Type.INT16) else 2


class WordOrder(StrEnum):
    """In which order the four bytes of two registers come; A is the most significant. No standard says which."""

    ABCD = "ABCD"
    CDAB = "CDAB"
    BADC = "BADC"
    DCBA = "DCBA"


FLOAT_STEP = Decimal("0.000001")
"""Stands for the step of a float without a resolution: about what 32 bits resolve at 10.

A constant, because a step that followed the value would look like a change of range.
"""
_FLOAT_DIGITS = 9
"""Significant digits that tell any two 32-bit floats apart (IEEE 754)."""


@dataclass(frozen=True, slots=True)
class Entry:
    """One number of a register map."""

    register: int
    """The first register as on the wire, from 0."""
    kind: str
    """`holding` or `input`."""
    type: Type
    function: Function
    unit: str
    """SenML unit, without prefix."""
    scale: int = 0
    """Power of ten of the prefix that the number is shown with."""
    order: WordOrder = WordOrder.ABCD
    resolution: Decimal | None = None
    """Of an integer: what one count is worth. Of a float: to what it is rounded; None: not at all."""
    no_value: frozenset[int] = field(default=frozenset())
    """Raw contents, read without a sign, that mean that there is no value."""
    overload: frozenset[int] = field(default=frozenset())
    """Raw contents that mean out of range."""

    @property
    def step(self) -> Decimal | None:
        """The smallest change it can carry, in `unit`; None where that is one unit of the last digit shown."""
        if self.resolution is not None:
            return self.resolution.scaleb(self.scale)
        return FLOAT_STEP.scaleb(self.scale) if self.type is Type.FLOAT32 else None

    def display(self, registers: tuple[int, ...]) -> str:
        """Write the registers' contents as a display: a number, `OL`, `-OL`, or empty where there is no value."""
        wire = struct.pack(f">{len(registers)}H", *registers)
        data = bytes(wire[self.order.index(letter)] for letter in "ABCD") if len(wire) == 4 else wire
        raw = int.from_bytes(data, "big")
        if raw in self.no_value:
            return ""
        if raw in self.overload:
            return "OL"
        if self.type is Type.FLOAT32:
            return self._float(data)
        signed = self.type in (Type.INT16, Type.INT32)
        return f"{int.from_bytes(data, 'big', signed=signed) * (self.resolution or Decimal(1)):f}"

    def _float(self, data: bytes) -> str:
        number = float(struct.unpack(">f", data)[0])
        if number != number:  # noqa: PLR0124 - only NaN differs from itself
            return ""
        if abs(number) == float("inf"):
            return "-OL" if number < 0 else "OL"
        if self.resolution is None:
            return f"{_shortest(number, data):f}"
        counts = (Decimal(number) / self.resolution).to_integral_value(ROUND_HALF_EVEN)
        return f"{counts * self.resolution:f}"


def _shortest(number: float, data: bytes) -> Decimal:
    """Return the shortest decimal that is this 32-bit float and no other."""
    texts = (f"{number:.{digits}g}" for digits in range(1, _FLOAT_DIGITS))
    fitting = (text for text in texts if _packs_to(text, data))
    return Decimal(next(fitting, f"{number:.{_FLOAT_DIGITS}g}"))


def _packs_to(text: str, data: bytes) -> bool:
    try:
        return struct.pack(">f", float(text)) == data
    except OverflowError:  # rounded up, beyond the largest
        return False
