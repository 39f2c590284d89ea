"""The 11-byte frame of the 4000-count parts at 2400 7O1, such as the ES51978. See `es_ascii11` for its look-alike.

Not the ES51960: by its data sheet that part has another table of functions and another bit for the sign, at the same
speed. Its volts are refused here, but its diode test (`;`) can pass for volts: do not choose this format for that part.
"""

from meterlink.reading import Function
from meterlink_drivers.formats.es_ascii11 import format11
from meterlink_drivers.formats.es_part import amperes, plain, volts

FORMAT = format11(
    "es519xx-2400-11",
    "11-byte frame of 4000-count ES519xx parts (not the ES51960), streamed at 2400 7O1",
    "serial tables of a published user guide of a 4000-count meter; uA, A, diode and continuity from public decoders",
    baud=2400,
    options=("0 0 0 VAHZ", "DC AC AUTO APO"),
    tables={
        "layout": {
            ";": volts("400.0m 4.000 40.00 400.0 4000"),
            "=": amperes("400.0u 4000u"),
            "9": amperes("40.00m 400.0m"),
            "?": amperes("40.00"),
            "3": plain(Function.RESISTANCE, "400.0 4.000k 40.00k 400.0k 4.000M 40.00M"),
            "5": plain(Function.CONTINUITY, "400.0"),
            "1": plain(Function.DIODE, "4.000"),
            "2": plain(Function.FREQUENCY, "4.000k 40.00k 400.0k 4.000M 40.00M 400.0M"),
            "6": plain(Function.CAPACITANCE, "4.000n 40.00n 400.0n 4.000u 40.00u 400.0u 4.000m 40.00m"),
        }
    },
)
