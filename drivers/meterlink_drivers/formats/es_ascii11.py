"""The 11-byte frames of the family: four digits and two option characters. See `es_part` for the frame.

Several parts send the same bytes with other meanings: with the tables that published captures show for a 6000-count
part, `22406;00:` is 240.6 V and not 24.06 V, and `9` is A and not mA. Nothing in the bytes tells them apart, only the
baud rate separates some; the user says which part it is, and should hold the first reading against the display.

Refused with both: frequency with JUDGE clear (a rate of turning, scale not known), frequency shown while the dial is
at V or A (VAHZ), and every function character without a row. A third frame of this shape (five digits, then range and
function) exists too and cannot be told from these by its bytes either.
"""

from collections.abc import Mapping
from functools import partial

from meterlink.driver import Confidence, Format, LineSettings
from meterlink.errors import UsageError
from meterlink_drivers.formats.es_part import EsDecoder, Mode, Part

TABLES = "tables"
"""The format option that chooses among a part's tables."""


def format11(
    name: str,
    summary: str,
    source: str,
    *,
    baud: int,
    options: tuple[str, str],
    tables: Mapping[str, Mapping[str, Mode]],
    confidence: Confidence = Confidence.MEDIUM,
) -> Format:
    """Make the format of an 11-byte part.

    Args:
        name: of the format.
        summary: of the format.
        source: of the format.
        baud: the speed of the line; it is 7O1.
        options: the bits of the two option characters, as `Part` takes them.
        tables: by name, the first by default: the mode of each function character; those of frequency and temperature
            need JUDGE set.
        confidence: in the first of them.
    """
    names = ", ".join(tables)

    def decoder(given: Mapping[str, str]) -> EsDecoder:
        chosen = given.get(TABLES, next(iter(tables)))
        if chosen not in tables:
            raise UsageError(f"{TABLES} {chosen!r}: expected one of {names}")
        return EsDecoder(Part(digits=4, options=options, mode=partial(_mode, tables[chosen])))

    return Format(
        name=name,
        summary=summary,
        source=source,
        decoder=decoder,
        confidence=confidence,
        line=LineSettings(baud=baud, bytesize=7, parity="O"),
        look_alikes=tuple(sorted({"es519xx-2400-11", "es51986-19200-11"} - {name})),
        options={TABLES: f"where the points stand and what the functions mean: {names}"} if len(tables) > 1 else {},
    )


def _mode(modes: Mapping[str, Mode], function: str, lit: frozenset[str]) -> Mode | None:
    wants_judge = function in ("2", "4")
    if (wants_judge and "JUDGE" not in lit) or ("VAHZ" in lit and function != "2"):
        return None
    return modes.get(function)
