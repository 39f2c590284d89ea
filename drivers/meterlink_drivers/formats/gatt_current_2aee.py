"""Bluetooth characteristic 0x2AEE, Electric Current: 16 bits without a sign, little-endian, in 0.01 A; FFFF is not
known. Neither a sign nor AC or DC is sent.
"""

from collections.abc import Mapping
from decimal import Decimal

from meterlink.driver import Format, GattPlace, LineSettings
from meterlink.reading import Function, Instant, Reading
from meterlink_drivers.formats.gatt_value import ValueDecoder, uuid
from meterlink_drivers.formats.unit_words import COUPLING_HELP, coupling_option, function_of

_NOT_KNOWN = 0xFFFF


def _reading(value: bytes, at: Instant, function: Function) -> Reading:
    raw = int.from_bytes(value, "little")
    display = "" if raw == _NOT_KNOWN else f"{Decimal(raw).scaleb(-2):f}"
    return Reading(display, function.unit, function, at, raw=value)


def _decoder(options: Mapping[str, str]) -> ValueDecoder:
    function = function_of("A", coupling_option(options)) or Function.CURRENT
    return ValueDecoder(2, lambda value, at: _reading(value, at, function))


FORMAT = Format(
    name="gatt-current-2aee",
    summary="Bluetooth characteristic 0x2AEE, Electric Current, in steps of 0.01 A without a sign",
    source="Bluetooth SIG GATT Specification Supplement, Electric Current, as republished in library documentation",
    decoder=_decoder,
    # No service has to offer this characteristic; 0x181A is our guess, and the METER address can name another.
    line=LineSettings(gatt=GattPlace(uuid(0x181A), uuid(0x2AEE))),
    look_alikes=("gatt-voltage-2b18", "gatt-temperature-2a6e", "sfloat16"),
    options={"coupling": COUPLING_HELP},
)
