"""The 11-byte frame of the 6000-count parts at 19230 7O1, the ES51985 and ES51986. See `es_ascii11` for its look-alike.

Two tables, between which the bytes do not tell. `layout` takes the points of the 4000-count parts for those of 6000
counts (from memory). `captures` follows published captures with the display read beside them, and public decoders that
agree: range `0` is 6.000 V and range `4` the millivolts. A meter of the second kind read with the first shows a tenth
of its volts: 24 V as 2.4 V. So the format is experimental: check one known reading, and choose the profile.

In those captures JUDGE is set in every function, and temperature comes in whole degrees Celsius; Fahrenheit is refused,
since decoders disagree whether the digits are converted.
"""

from meterlink.driver import Confidence
from meterlink.reading import Function
from meterlink_drivers.formats.es_ascii11 import format11
from meterlink_drivers.formats.es_part import amperes, plain, volts

FORMAT = format11(
    "es51986-19200-11",
    "11-byte frame of the ES51985 and ES51986 (6000 counts), streamed at 19230 7O1; check a known reading",
    "ES51985 data sheet, section 4, for the frame; tables: layout from memory, captures from published captures",
    baud=19230,
    confidence=Confidence.LOW,
    options=("HOLD MAX MIN 0", "DC AC AUTO 0"),
    tables={
        "layout": {
            ";": volts("600.0m 6.000 60.00 600.0 6000"),
            "=": amperes("600.0u 6000u"),
            "9": amperes("60.00m 600.0m"),
            "?": amperes("60.00"),
            "3": plain(Function.RESISTANCE, "600.0 6.000k 60.00k 600.0k 6.000M 60.00M"),
            "5": plain(Function.CONTINUITY, "600.0"),
            "1": plain(Function.DIODE, "6.000"),
            "2": plain(Function.FREQUENCY, "6.000k 60.00k 600.0k 6.000M 60.00M 600.0M"),
            "6": plain(Function.CAPACITANCE, "6.000n 60.00n 600.0n 6.000u 60.00u 600.0u 6.000m 60.00m"),
        },
        "captures": {
            ";": volts("6.000 60.00 600.0 6000 600.0m"),
            "=": amperes("600.0u 6000u"),
            "?": amperes("60.00m 600.0m"),
            "9": amperes("60.00"),
            "3": plain(Function.RESISTANCE, "600.0 6.000k 60.00k 600.0k 6.000M 60.00M"),
            "5": plain(Function.CONTINUITY, "600.0"),
            "1": plain(Function.DIODE, "6.000"),
            "2": plain(Function.FREQUENCY, "6000 60.00k 600.0k 6.000M 60.00M"),
            "4": plain(Function.TEMPERATURE, "6000"),
            "6": plain(Function.CAPACITANCE, "6.000n 60.00n 600.0n 6.000u 60.00u 600.0u 6.000m"),
        },
    },
)
