"""The 14-byte frame of the ES51922: 22000 counts, five digits, streamed at 19230 7O1. See `es_part` for the frame.

What is refused because its point is not known: temperature in degrees Fahrenheit (public decoders disagree whether the
digits are converted), the adapter function, frequency shown while the dial stands at V or A (VAHZ), and current with
VBAR set, which selects the scales of a clamp adapter. While the display is held the chip goes on sending the live
value, so under HOLD the number may differ from the one that is shown; no verdict rests on it.

JUDGE in the frequency function: set is taken for hertz, clear for duty cycle (from memory). Two public decoders, one
reported to work with a meter in both modes, have it the other way round: the option `judge=duty` does as they do.
"""

from collections.abc import Mapping
from functools import partial

from meterlink.driver import Confidence, Format, LineSettings
from meterlink.errors import UsageError
from meterlink.reading import Function
from meterlink_drivers.formats.es_part import EsDecoder, Mode, Part, amperes, plain, volts

_MODES = {
    ";": volts("2.2000 22.000 220.00 2200.0 220.00m"),
    "=": amperes("220.00u 2200.0u"),  # this row and the next: the data sheet says lower and higher range only
    "?": amperes("22.000m 220.00m"),
    "0": amperes("22.000"),
    "9": amperes("2.2000 22.000 220.00 2200.0 22000"),
    "3": plain(Function.RESISTANCE, "220.00 2.2000k 22.000k 220.00k 2.2000M 22.000M 220.00M"),
    "5": plain(Function.CONTINUITY, "220.00"),
    "1": plain(Function.DIODE, "2.2000"),
    "6": plain(Function.CAPACITANCE, "22.000n 220.00n 2.2000u 22.000u 220.00u 2.2000m 22.000m 220.00m"),
}
_FREQUENCY = plain(Function.FREQUENCY, "22.00 220.0 - 22.000k 220.00k 2.2000M 22.000M 220.00M")
_DUTY = plain(Function.DUTY, " ".join(["100.0"] * 8))  # whatever the range
_CELSIUS = plain(Function.TEMPERATURE, "220.00")
_CELSIUS_VBAR = plain(Function.TEMPERATURE, "2200.0")


_JUDGE_SET = {"frequency": (_FREQUENCY, _DUTY), "duty": (_DUTY, _FREQUENCY)}


def _mode(judge: str, function: str, lit: frozenset[str]) -> Mode | None:
    match function:
        case "2":
            return _JUDGE_SET[judge]["JUDGE" not in lit]
        case _ if "VAHZ" in lit:
            return None
        case "4" if "JUDGE" in lit:
            return _CELSIUS_VBAR if "VBAR" in lit else _CELSIUS
        case "=" | "?" if "VBAR" in lit:
            return None
        case _:
            return _MODES.get(function)


_OPTIONS = ("MAX MIN REL RMR", "UL PMAX PMIN 0", "DC AC AUTO VAHZ", "0 VBAR HOLD LPF")


def _decoder(options: Mapping[str, str]) -> EsDecoder:
    judge = options.get("judge", "frequency")
    if judge not in _JUDGE_SET:
        raise UsageError(f"judge {judge!r}: expected one of {', '.join(_JUDGE_SET)}")
    return EsDecoder(Part(digits=5, options=_OPTIONS, mode=partial(_mode, judge)))


FORMAT = Format(
    name="es51922-ascii14",
    summary="14-byte frame of the ES51922 (22000 counts), streamed at 19230 7O1",
    source="ES51922 data sheet, serial data tables, by way of public transcriptions; published captures decode with it",
    decoder=_decoder,
    confidence=Confidence.HIGH,
    line=LineSettings(baud=19230, bytesize=7, parity="O"),
    options={"judge": "what a set JUDGE bit means on the frequency range: frequency (default) or duty"},
)
