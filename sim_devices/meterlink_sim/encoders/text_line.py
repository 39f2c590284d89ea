"""Text lines: a value, its unit, perhaps AC or DC, in the ways that meters and their recording programs write them."""

from collections.abc import Mapping
from dataclasses import dataclass, field

from meterlink.reading import FAHRENHEIT, Function, Reading, State
from meterlink_sim.encoders.parts import check, look_up, number

_FORM = "a text line"
_PLACES = 12

_COUPLINGS = {
    Function.DC_VOLTAGE: "DC",
    Function.AC_VOLTAGE: "AC",
    Function.VOLTAGE: "",
    Function.DC_CURRENT: "DC",
    Function.AC_CURRENT: "AC",
    Function.CURRENT: "",
    Function.RESISTANCE: "",
    Function.FREQUENCY: "",
    Function.CAPACITANCE: "",
    Function.TEMPERATURE: "",
    Function.DUTY: "",
}
_PREFIXES = {-12: "p", -9: "n", -6: "u", -3: "m", 0: "", 3: "k", 6: "M", 9: "G"}
_UNITS = {"V": "V", "A": "A", "Ohm": "Ohm", "Hz": "Hz", "F": "F", "Cel": "C", FAHRENHEIT: "°F", "%": "%"}


@dataclass(frozen=True, slots=True)
class Dialect:
    """One way to write a line."""

    mark: str = "."
    """The decimal mark."""
    gap: str = " "
    """What stands between value and unit, and between the fields of a file."""
    coupling_gap: str = " "
    """What stands before AC or DC; empty: `VDC`."""
    words: Mapping[str, str] = field(default_factory=dict)
    """Other spellings of a prefix or a unit: `{"u": "µ"}`."""
    overload: str = "OL"
    blank: str = "----"
    exponent: bool = False
    """Whether the value is written as d.dddE-dd, and the prefix left out."""
    before: str = ""
    """What each line begins with: times of a recording."""
    end: str = "\r\n"
    encoding: str = "utf-8"


PLAIN = Dialect()
DIALECTS = {
    "plain": PLAIN,
    "glued": Dialect(gap="", coupling_gap=""),
    "comma": Dialect(mark=",", end="\n"),
    "micro-sign": Dialect(words={"u": "\u00b5"}),
    "greek-mu": Dialect(words={"u": "\u03bc"}),
    "latin-1": Dialect(words={"u": "\u00b5", "C": "°C"}, encoding="latin-1"),
    "ohm-sign": Dialect(words={"Ohm": "\u2126"}),
    "greek-omega": Dialect(words={"Ohm": "\u03a9"}, overload="O.L"),
    "letter-o": Dialect(overload="O.L"),
    "exponent": Dialect(exponent=True),
    "csv-comma": Dialect(gap=",", coupling_gap=",", before="10:00:01,"),
    "csv-semicolon": Dialect(mark=",", gap=";", coupling_gap=";", before="2026-11-25 10:00:01;"),
}
"""Dialects by name."""


def encode(reading: Reading, dialect: Dialect = PLAIN) -> bytes:
    """Write what a display shows as one line.

    Raises:
        ValueError: there is no word for the function, unit or prefix, or a flag is lit.
    """
    check(reading, _FORM)
    coupling = look_up(_COUPLINGS, reading.function, _FORM, "the function")
    prefix = look_up(_PREFIXES, 0 if dialect.exponent else reading.scale, _FORM, "a prefix of ten to the power")
    unit = look_up(_UNITS, reading.unit, _FORM, "the unit")
    words = [dialect.before, _value(reading, dialect), dialect.gap]
    words += [dialect.words.get(word, word) for word in (prefix, unit)]
    words += [dialect.coupling_gap, coupling] if coupling else []
    return ("".join(words) + dialect.end).encode(dialect.encoding)


def _value(reading: Reading, dialect: Dialect) -> str:
    match reading.state:
        case State.OVERLOAD:
            return reading.display.replace("OL", dialect.overload)
        case State.BLANK:
            return dialect.blank
    number(reading, _FORM, _PLACES)
    if not dialect.exponent or reading.value is None:
        return reading.display.replace(".", dialect.mark)
    mantissa, _, exponent = f"{reading.value:E}".partition("E")
    return f"{mantissa.replace('.', dialect.mark)}E{int(exponent):+03d}"
