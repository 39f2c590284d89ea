"""Bluetooth characteristic 0x2B18, Voltage: 16 bits without a sign, little-endian, in 1/64 V; FFFF is not known.

The ends of the range, 0 V and 1022 V, mean "or beyond". The upper end is shown as overload. The lower end is shown as
the 0 that it is, since idle leads send it too; but any negative voltage is sent as 0 as well, so through this
characteristic reversed leads look dead. Whether it is AC or DC is not sent.
"""

from collections.abc import Mapping
from decimal import Decimal

from meterlink.driver import Format, GattPlace, LineSettings
from meterlink.reading import Function, Instant, Reading
from meterlink_drivers.formats.gatt_value import ValueDecoder, uuid
from meterlink_drivers.formats.unit_words import COUPLING_HELP, coupling_option, function_of

_STEP = Decimal(1) / 64
_NOT_KNOWN = 0xFFFF
_HIGHEST = 1022 * 64


def _reading(value: bytes, at: Instant, function: Function) -> Reading | None:
    raw = int.from_bytes(value, "little")
    if raw == _NOT_KNOWN:
        display = ""
    elif raw > _HIGHEST:
        return None
    elif raw == _HIGHEST:
        display = "OL"
    else:
        volts = f"{raw * _STEP:f}"
        display = volts.rstrip("0").rstrip(".") if "." in volts else volts
    return Reading(display, function.unit, function, at, raw=value, step=_STEP)


def _decoder(options: Mapping[str, str]) -> ValueDecoder:
    function = function_of("V", coupling_option(options)) or Function.VOLTAGE
    return ValueDecoder(2, lambda value, at: _reading(value, at, function))


FORMAT = Format(
    name="gatt-voltage-2b18",
    summary="Bluetooth characteristic 0x2B18, Voltage, in steps of 1/64 V without a sign",
    source="Bluetooth SIG GATT Specification Supplement, Voltage, as republished in library documentation",
    decoder=_decoder,
    # No service has to offer this characteristic; 0x181A is our guess, and the METER address can name another.
    line=LineSettings(gatt=GattPlace(uuid(0x181A), uuid(0x2B18))),
    look_alikes=("gatt-current-2aee", "gatt-temperature-2a6e", "sfloat16"),
    options={"coupling": COUPLING_HELP},
)
