"""The checksums that a description may name.

Their check values over the ASCII digits 1 to 9 are in the tests, from the catalogue of parametrised CRC algorithms.
"""

import binascii
from collections.abc import Callable, Mapping
from functools import reduce
from operator import xor


def _modbus(data: bytes) -> int:
    """CRC-16/MODBUS: reflected, polynomial 0x8005, start 0xFFFF."""
    crc = 0xFFFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = crc >> 1 ^ (0xA001 if crc & 1 else 0)
    return crc


CHECKSUMS: Mapping[str, tuple[int, Callable[[bytes], int]]] = {
    "sum8": (8, lambda data: sum(data) & 0xFF),
    "sum16": (16, lambda data: sum(data) & 0xFFFF),
    "negated-sum8": (8, lambda data: -sum(data) & 0xFF),
    "xor8": (8, lambda data: reduce(xor, data, 0)),
    "crc16-modbus": (16, _modbus),
    "crc16-xmodem": (16, lambda data: binascii.crc_hqx(data, 0)),
    "crc32": (32, binascii.crc32),
}
"""Name to width in bits and function. Which byte comes first in the frame is the place's affair."""
