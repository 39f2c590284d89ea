"""Bluetooth characteristic 0x2A6E, Temperature: 16 bits with a sign, little-endian, in 0.01 degrees Celsius.

8000 is not known; what lies below absolute zero is refused.
"""

from collections.abc import Mapping
from decimal import Decimal

from meterlink.driver import Format, GattPlace, LineSettings
from meterlink.reading import Function, Instant, Reading
from meterlink_drivers.formats.gatt_value import ValueDecoder, uuid

_NOT_KNOWN = -0x8000
_ABSOLUTE_ZERO = -27315


def _reading(value: bytes, at: Instant) -> Reading | None:
    raw = int.from_bytes(value, "little", signed=True)
    if raw != _NOT_KNOWN and raw < _ABSOLUTE_ZERO:
        return None
    display = "" if raw == _NOT_KNOWN else f"{Decimal(raw).scaleb(-2):f}"
    return Reading(display, "Cel", Function.TEMPERATURE, at, raw=value)


def _decoder(options: Mapping[str, str]) -> ValueDecoder:
    return ValueDecoder(2, _reading)


FORMAT = Format(
    name="gatt-temperature-2a6e",
    summary="Bluetooth characteristic 0x2A6E, Temperature, in steps of 0.01 degrees Celsius",
    source="Bluetooth SIG GATT Specification Supplement, Temperature; from memory",
    decoder=_decoder,
    line=LineSettings(gatt=GattPlace(uuid(0x181A), uuid(0x2A6E))),
    look_alikes=("gatt-voltage-2b18", "gatt-current-2aee", "sfloat16"),
)
