"""The 11-byte LCD copy of Bluetooth meters, each byte combined with a fixed key by exclusive or.

Public protocol notes and discussion 2021-2023 (key, a capture, the bit map). The prefix is part of the unit's icon. The
Bluetooth icon is lit, as in the capture; bits of no known meaning stay off, low battery among them.
"""

from meterlink.reading import FAHRENHEIT, Flag, Function, Reading
from meterlink_sim.encoders.parts import check, check_prefix, look_up
from meterlink_sim.encoders.segments import lit_segments

_FORM = "the 11-byte scrambled LCD frame"
_KEY = bytes.fromhex("41 21 73 55 A2 C1 32 71 66 AA 3B")
_HEAD = bytes.fromhex("5A A5 03")

# The bits from bit 24 on, the lowest bit of each byte first; "-" is a bit of no known meaning.
_BITS = tuple(
    name
    for byte in (
        "- REL bluetooth beeper minus 1e 1f 1a",
        "1d 1c 1g 1b point2 2e 2f 2a",
        "2d 2c 2g 2b point3 3e 3f 3a",
        "3d 3c 3g 3b point4 4e 4f 4a",
        "4d 4c 4g 4b HOLD degF degC diode",
        "MAX MIN % AC F uF mF nF",
        "Hz ohm kohm Mohm V mV DC A",
        "AUTO - uA mA - - - -",
    )
    for name in byte.split()
)

_FUNCTIONS = {
    Function.DC_VOLTAGE: {"DC"},
    Function.AC_VOLTAGE: {"AC"},
    Function.DC_CURRENT: {"DC"},
    Function.AC_CURRENT: {"AC"},
    Function.RESISTANCE: set[str](),
    Function.CONTINUITY: {"beeper"},
    Function.DIODE: {"diode"},
    Function.CAPACITANCE: set[str](),
    Function.FREQUENCY: set[str](),
    Function.DUTY: set[str](),
    Function.TEMPERATURE: set[str](),
}
_UNITS = {
    ("V", 0): "V",
    ("V", -3): "mV",
    ("A", 0): "A",
    ("A", -3): "mA",
    ("A", -6): "uA",
    ("Ohm", 0): "ohm",
    ("Ohm", 3): "kohm",
    ("Ohm", 6): "Mohm",
    ("F", -3): "mF",
    ("F", -6): "uF",
    ("F", -9): "nF",
    ("Hz", 0): "Hz",
    ("%", 0): "%",
    ("Cel", 0): "degC",
    (FAHRENHEIT, 0): "degF",
}
_FLAGS = {
    Flag.HOLD: "HOLD",
    Flag.RELATIVE: "REL",
    Flag.AUTO_RANGE: "AUTO",
    Flag.MINIMUM: "MIN",
    Flag.MAXIMUM: "MAX",
}


def encode(reading: Reading) -> bytes:
    """Write what a display shows as one frame.

    Raises:
        ValueError: there is no icon for the function, unit, prefix or flag, or the number has more than four digits.
    """
    check(reading, _FORM, _FLAGS)
    check_prefix(reading, _FORM)
    lit = {
        "bluetooth",
        look_up(_UNITS, (reading.unit, reading.scale), _FORM, "the unit"),
        *look_up(_FUNCTIONS, reading.function, _FORM, "the function"),
        *(_FLAGS[flag] for flag in reading.flags),
        *lit_segments(reading, _FORM),
    }
    bits = sum(1 << place for place, name in enumerate(_BITS) if name in lit)
    frame = _HEAD + bits.to_bytes(len(_BITS) // 8, "little")
    return bytes(plain ^ key for plain, key in zip(frame, _KEY, strict=True))
