"""Bluetooth SIG characteristics: little-endian whole numbers in fixed steps (GATT Specification Supplement).

0x2A6E and 0x2A19 from memory. A value that is no whole number of steps is refused, not rounded.
"""

import struct
from decimal import Decimal

from meterlink.reading import Function, Reading, State
from meterlink_sim.encoders.parts import check, refusal

_UNKNOWN_UNSIGNED = 0xFFFF
_UNKNOWN_SIGNED = -0x8000


def encode_voltage(reading: Reading) -> bytes:
    """Write volts as characteristic 0x2B18: 1/64 V, 0 to 1022.0; overload is its upper end, "1022.0 or beyond".

    Raises:
        ValueError: what is shown is not a voltage of unknown kind, below 0, above 1022 V or between two steps.
    """
    if reading.display == "OL":
        _check(reading, Function.VOLTAGE, "characteristic 2B18")
        return struct.pack("<H", 1022 * 64)
    steps = _steps(reading, Function.VOLTAGE, Decimal(1) / 64, range(1022 * 64), "characteristic 2B18")
    return struct.pack("<H", _UNKNOWN_UNSIGNED if steps is None else steps)


def encode_current(reading: Reading) -> bytes:
    """Write amperes as characteristic 0x2AEE: 0.01 A, 0 to 655.34.

    Raises:
        ValueError: what is shown is not a current of unknown kind, out of range, overload or between two steps.
    """
    steps = _steps(reading, Function.CURRENT, Decimal("0.01"), range(0xFFFF), "characteristic 2AEE")
    return struct.pack("<H", _UNKNOWN_UNSIGNED if steps is None else steps)


def encode_temperature(reading: Reading) -> bytes:
    """Write degrees Celsius as characteristic 0x2A6E: 0.01 degrees, -273.15 to 327.67.

    Raises:
        ValueError: what is shown is no temperature in Celsius, out of range, overload or between two steps.
    """
    steps = _steps(reading, Function.TEMPERATURE, Decimal("0.01"), range(-27315, 0x8000), "characteristic 2A6E")
    return struct.pack("<h", _UNKNOWN_SIGNED if steps is None else steps)


def encode_battery(percent: int) -> bytes:
    """Write a battery's level as characteristic 0x2A19. Raises `ValueError` outside 0 to 100."""
    if not 0 <= percent <= 100:
        raise refusal("characteristic 2A19", f"{percent} %")
    return bytes([percent])


def _check(reading: Reading, function: Function, form: str) -> None:
    check(reading, form)
    if reading.function is not function or reading.unit != function.unit:
        raise refusal(form, f"the function {reading.function} in {reading.unit}")


def _steps(reading: Reading, function: Function, step: Decimal, reach: range, form: str) -> int | None:
    """The number of steps; None for a blank display."""
    _check(reading, function, form)
    if reading.state is State.BLANK:
        return None
    steps = None if reading.value is None else reading.value / step
    if steps is None or steps != int(steps) or int(steps) not in reach:
        raise refusal(form, f"{reading.display!r} with the prefix 10^{reading.scale}")
    return int(steps)
