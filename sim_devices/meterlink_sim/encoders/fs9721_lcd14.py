"""The 14-byte LCD-segment frame of the FS9721_LP3 (2400 baud, 8N1, no checksum).

Each byte carries its place in the high nibble, 1 to 14, and four segments of the LCD in the low one. Layout: the
segment table of FS9721_LP3-DS-21_EN, by agreeing second-hand transcriptions. The user bits of byte 14 stay off, and
with them degrees Celsius, whose bit differs from meter to meter.
"""

from meterlink.reading import Flag, Function, Reading
from meterlink_sim.encoders.parts import check, check_prefix, look_up
from meterlink_sim.encoders.segments import lit_segments

FRAME_LENGTH = 14
LINE_SECONDS = FRAME_LENGTH * 10 / 2400
"""Time that one frame takes on the line: 58 ms."""

_FORM = "the FS9721 frame"

# Low nibbles from bit 3 to bit 0, first byte first. Digit 1 is the leftmost; its place before the point is the minus.
_LCD = (
    "AC DC AUTO RS232",
    "minus 1e 1f 1a",
    "1d 1c 1g 1b",
    "point2 2e 2f 2a",
    "2d 2c 2g 2b",
    "point3 3e 3f 3a",
    "3d 3c 3g 3b",
    "point4 4e 4f 4a",
    "4d 4c 4g 4b",
    "micro nano kilo diode",
    "milli % mega beeper",
    "farad ohm REL HOLD",
    "ampere volt Hz battery",
    "user3 user2 user1 user0",
)

_FUNCTIONS = {
    Function.DC_VOLTAGE: {"DC", "volt"},
    Function.AC_VOLTAGE: {"AC", "volt"},
    Function.RESISTANCE: {"ohm"},
    Function.CONTINUITY: {"ohm", "beeper"},
    Function.DIODE: {"volt", "diode"},
    Function.DC_CURRENT: {"DC", "ampere"},
    Function.AC_CURRENT: {"AC", "ampere"},
    Function.FREQUENCY: {"Hz"},
    Function.CAPACITANCE: {"farad"},
    Function.DUTY: {"%"},
}
_PREFIXES = {-9: "nano", -6: "micro", -3: "milli", 0: "", 3: "kilo", 6: "mega"}
_FLAGS = {Flag.AUTO_RANGE: "AUTO", Flag.HOLD: "HOLD", Flag.RELATIVE: "REL", Flag.LOW_BATTERY: "battery"}


def encode(reading: Reading) -> bytes:
    """Write what a display shows as one frame.

    Raises:
        ValueError: the frame has no segment for the function, prefix, flag or number of digits.
    """
    check(reading, _FORM, _FLAGS)
    check_prefix(reading, _FORM)
    lit = {
        "RS232",
        _PREFIXES[reading.scale],
        *look_up(_FUNCTIONS, reading.function, _FORM, "the function"),
        *(_FLAGS[flag] for flag in reading.flags),
        *lit_segments(reading, _FORM),
    }
    return bytes(place << 4 | _nibble(names.split(), lit) for place, names in enumerate(_LCD, start=1))


def _nibble(names: list[str], lit: set[str]) -> int:
    return sum(8 >> bit for bit, name in enumerate(names) if name in lit)
