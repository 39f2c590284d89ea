"""The 11-byte frames of the family: four digits and two option characters. See `es_part` for the frame.

Two parts send the same bytes with other meanings: `22406;00:` is 24.06 V from a 4000-count part and 240.6 V from a
6000-count part, `9` is mA from one and A from the other. Nothing in the bytes tells them apart, only the baud rate; the
user says which part it is, and should hold the first reading against the display.

Refused with both: frequency with JUDGE clear (a rate of turning, scale not known), frequency shown while the dial is
at V or A (VAHZ), and every function character without a row. A third frame of this shape (five digits, then range and
function) exists too and cannot be told from these by its bytes either.
"""

from collections.abc import Mapping

from meterlink.driver import Confidence, Format, LineSettings
from meterlink_drivers.formats.es_part import EsDecoder, Mode, Part


def format11(
    name: str, summary: str, source: str, *, baud: int, options: tuple[str, str], modes: Mapping[str, Mode]
) -> Format:
    """Make the format of an 11-byte part.

    Args:
        name: of the format.
        summary: of the format.
        source: of the format.
        baud: the speed of the line; it is 7O1.
        options: the bits of the two option characters, as `Part` takes them.
        modes: the mode of each function character; those of frequency and temperature need JUDGE set.
    """

    def mode(function: str, lit: frozenset[str]) -> Mode | None:
        wants_judge = function in ("2", "4")
        if (wants_judge and "JUDGE" not in lit) or ("VAHZ" in lit and function != "2"):
            return None
        return modes.get(function)

    part = Part(digits=4, options=options, mode=mode)
    return Format(
        name=name,
        summary=summary,
        source=source,
        decoder=lambda given: EsDecoder(part),
        confidence=Confidence.MEDIUM,
        line=LineSettings(baud=baud, bytesize=7, parity="O"),
        look_alikes=tuple(sorted({"es519xx-2400-11", "es51986-19200-11"} - {name})),
    )
