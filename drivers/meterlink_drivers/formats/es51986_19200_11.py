"""The 11-byte frame of the 6000-count parts at 19230 7O1, the ES51985 and ES51986. See `es_ascii11` for its look-alike.

The points follow published captures with the display read beside them, and public decoders that agree: range `0` is
6.000 V and range `4` the millivolts, unlike the 4000-count parts. In those captures JUDGE is set in every function, and
temperature comes in whole degrees Celsius; Fahrenheit is refused, since decoders disagree whether digits are converted.
"""

from meterlink.reading import Function
from meterlink_drivers.formats.es_ascii11 import format11
from meterlink_drivers.formats.es_part import amperes, plain, volts

FORMAT = format11(
    "es51986-19200-11",
    "11-byte frame of the ES51985 and ES51986 (6000 counts), streamed at 19230 7O1",
    "ES51985 data sheet, section 4, for the frame; published captures with displays and public decoders for the tables",
    baud=19230,
    options=("HOLD MAX MIN 0", "DC AC AUTO 0"),
    modes={
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
)
