"""Bluetooth characteristic 0x2A19, Battery Level: one byte, percent. 101 to 255 are reserved and refused.

It is the meter's own battery, so it is a notice and never a reading.
"""

from collections.abc import Mapping

from meterlink.driver import Format, GattPlace, LineSettings, Notice
from meterlink.reading import Instant
from meterlink_drivers.formats.gatt_value import ValueDecoder, uuid

_FULL = 100


def _notice(value: bytes, at: Instant) -> Notice | None:
    if value[0] > _FULL:
        return None
    return Notice("battery", str(value[0]), f"Meter battery {value[0]} %.", at, value, unit="%")


def _decoder(options: Mapping[str, str]) -> ValueDecoder:
    return ValueDecoder(1, _notice)


FORMAT = Format(
    name="gatt-battery-2a19",
    summary="Bluetooth characteristic 0x2A19, Battery Level, in percent",
    source="Bluetooth SIG GATT Specification Supplement, Battery Level; from memory",
    decoder=_decoder,
    line=LineSettings(gatt=GattPlace(uuid(0x180F), uuid(0x2A19))),
)
