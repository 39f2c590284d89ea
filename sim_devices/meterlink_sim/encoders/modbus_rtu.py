"""Modbus RTU, the answering side: registers read by functions 03 and 04, and a value as a 32-bit float in two of them.

Modbus Application Protocol V1.1b3, sections 6.3, 6.4 and 7; Modbus over Serial Line V1.02, section 2.5.1 and the CRC
appendix. The order of a float's bytes over the registers is not standardised: `ABCD`, `CDAB`, `BADC`, `DCBA`.
"""

import struct
from collections.abc import Mapping
from dataclasses import dataclass, field
from math import inf, nan

from meterlink.reading import Reading, State
from meterlink_sim.encoders.parts import check, refusal

READ_HOLDING, READ_INPUT = 3, 4
ILLEGAL_FUNCTION, ILLEGAL_ADDRESS, ILLEGAL_VALUE, DEVICE_FAILURE = 1, 2, 3, 4
REQUEST_LENGTH = 8
ORDERS = ("ABCD", "CDAB", "BADC", "DCBA")

_FORM = "a Modbus register pair"
_MOST_REGISTERS = 125


def crc(data: bytes) -> bytes:
    """The two bytes that close a frame, low byte first."""
    remainder = 0xFFFF
    for byte in data:
        remainder ^= byte
        for _ in range(8):
            remainder = remainder >> 1 ^ (0xA001 if remainder & 1 else 0)
    return struct.pack("<H", remainder)


def closed(body: bytes) -> bytes:
    """A frame: address, function and data, with the CRC behind them."""
    return body + crc(body)


def registers(reading: Reading, order: str = "ABCD") -> tuple[int, int]:
    """A display's value, in its unit without prefix, as two registers: overload as infinity, blank as NaN.

    Raises:
        ValueError: a flag is lit, or the byte order is none of `ORDERS`.
    """
    check(reading, _FORM)
    if order not in ORDERS:
        raise refusal(_FORM, f"the byte order {order}")
    value = {State.OVERLOAD: -inf if reading.display.startswith("-") else inf, State.BLANK: nan}.get(reading.state)
    packed = struct.pack(">f", float(reading.value or 0) if value is None else value)
    first, second = struct.unpack(">HH", bytes(packed["ABCD".index(letter)] for letter in order))
    return first, second


def encode(reading: Reading, order: str = "ABCD", unit: int = 1, function: int = READ_INPUT) -> bytes:
    """The answer to a request for a display's two registers. Raises `ValueError` as `registers` does."""
    return closed(struct.pack(">BBBHH", unit, function, 4, *registers(reading, order)))


@dataclass
class ModbusSlave:
    """An instrument with registers; the first of the standard's two numberings, from 0."""

    unit: int = 1
    holding: Mapping[int, int] = field(default_factory=dict)
    input: Mapping[int, int] = field(default_factory=dict)

    def answer(self, request: bytes) -> bytes:
        """Answer one frame; what is damaged or meant for another unit gets no answer at all."""
        if len(request) < 4 or crc(request[:-2]) != request[-2:] or request[0] != self.unit:
            return b""
        table = {READ_HOLDING: self.holding, READ_INPUT: self.input}.get(request[1])
        if table is None:
            return self._exception(request[1], ILLEGAL_FUNCTION)
        if len(request) != REQUEST_LENGTH:
            return self._exception(request[1], ILLEGAL_VALUE)
        first, count = struct.unpack(">HH", request[2:6])
        if not 1 <= count <= _MOST_REGISTERS:
            return self._exception(request[1], ILLEGAL_VALUE)
        if any(place not in table for place in range(first, first + count)):
            return self._exception(request[1], ILLEGAL_ADDRESS)
        data = struct.pack(f">{count}H", *(table[place] for place in range(first, first + count)))
        return closed(bytes([self.unit, request[1], len(data)]) + data)

    def _exception(self, function: int, code: int) -> bytes:
        return closed(bytes([self.unit, function | 0x80, code]))
