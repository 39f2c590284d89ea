"""Units and prefixes as people and meters write them. Shared by the formats that carry them as text, and by options.

`m` and `M` differ by 10^9, so the case of a prefix is never folded; only kilo is written both ways.
"""

from collections.abc import Mapping

from meterlink.errors import UsageError
from meterlink.reading import FAHRENHEIT, Function

_PREFIXES = {"": 0, "p": -12, "n": -9, "u": -6, "m": -3, "k": 3, "K": 3, "M": 6, "G": 9}
_PREFIXED = {
    "V": "V",
    "A": "A",
    "Hz": "Hz",
    "HZ": "Hz",
    "F": "F",
    "Ohm": "Ohm",
    "ohm": "Ohm",
    "OHM": "Ohm",
    "R": "Ohm",
}
_ALONE = {"%": "%", "C": "Cel", "°C": "Cel", "degC": "Cel", "Cel": "Cel", "°F": FAHRENHEIT, "degF": FAHRENHEIT}
_UNITS = {
    **{prefix + word: (scale, unit) for word, unit in _PREFIXED.items() for prefix, scale in _PREFIXES.items()},
    **{word: (0, unit) for word, unit in _ALONE.items()},
}
_LETTERS = str.maketrans(
    {"\u00b5": "u", "\u03bc": "u", "\u03a9": "Ohm", "\u2126": "Ohm", "\u2103": "°C", "\u2109": "°F"}
)
_FUNCTIONS = {
    ("V", ""): Function.VOLTAGE,
    ("V", "dc"): Function.DC_VOLTAGE,
    ("V", "ac"): Function.AC_VOLTAGE,
    ("A", ""): Function.CURRENT,
    ("A", "dc"): Function.DC_CURRENT,
    ("A", "ac"): Function.AC_CURRENT,
    ("Ohm", ""): Function.RESISTANCE,
    ("Hz", ""): Function.FREQUENCY,
    ("F", ""): Function.CAPACITANCE,
    ("Cel", ""): Function.TEMPERATURE,
    (FAHRENHEIT, ""): Function.TEMPERATURE,
    ("%", ""): Function.DUTY,
}

COUPLING_HELP = "dc or ac: what the meter is set to, where the wire does not tell"
UNIT_HELP = "the unit of a number that comes without one, such as V, mV, kOhm, %"


def plain_letters(text: str) -> str:
    """Write the signs for micro, ohm and degrees, of which there are several, in one way each."""
    return text.translate(_LETTERS)


def parse_unit(word: str) -> tuple[int, str] | None:
    """Read a unit with its prefix, written in plain letters.

    Returns:
        The power of ten of the prefix and the unit's SenML name; None for a word that is no unit.
    """
    return _UNITS.get(word)


def function_of(unit: str, coupling: str) -> Function | None:
    """Tell what is measured from the unit; `coupling` is `dc`, `ac` or empty. None for a pair that makes no sense."""
    return _FUNCTIONS.get((unit, coupling))


def unit_option(options: Mapping[str, str], default: str = "") -> tuple[int, str] | None:
    """Read the option `unit`; None where neither it nor a default is given.

    Raises:
        UsageError: it is no unit.
    """
    text = options.get("unit", default)
    unit = parse_unit(plain_letters(text))
    if text and unit is None:
        raise UsageError(f"unit {text!r}: expected a unit such as V, mV, kOhm, uA, Hz, degC, %; m is milli, M is mega")
    return unit


def coupling_option(options: Mapping[str, str]) -> str:
    """Read the option `coupling`: `dc`, `ac`, or empty where it is not given.

    Raises:
        UsageError: it is something else.
    """
    coupling = options.get("coupling", "")
    if coupling not in ("", "dc", "ac"):
        raise UsageError(f"coupling {coupling!r}: expected dc or ac")
    return coupling


def function_option(options: Mapping[str, str], default: Function) -> Function:
    """Read the option `function`.

    Raises:
        UsageError: it is no function.
    """
    name = options.get("function", default.value)
    if name not in {function.value for function in Function}:
        raise UsageError(f"function {name!r}: expected one of {', '.join(Function)}")
    return Function(name)


def yes_no_option(options: Mapping[str, str], name: str, yes: str, no: str, default: str) -> bool:
    """Read an option that takes one of two words; True for `yes`.

    Raises:
        UsageError: it is neither word.
    """
    word = options.get(name, default)
    if word not in (yes, no):
        raise UsageError(f"{name} {word!r}: expected {yes} or {no}")
    return word == yes
