"""Numbers with their units as the trade speaks them: digits after the point one by one. Pure."""

from decimal import Decimal

from num2words import num2words

from meterlink.cues.words.model import Words
from meterlink.reading import plain

_MILLI, _MICRO, _NANO = Decimal("0.001"), Decimal("0.000001"), Decimal("0.000000001")


def quantity(value: Decimal, unit: str, words: Words) -> str:
    """Speak a value, with the prefix that the display has or that people use: 24.10 V, 4700 Ohm, 0.0241 V.

    Args:
        value: in `unit`, with the display's resolution. Noughts at its end are not spoken.
        unit: SenML, without prefix; one that has no name here is left out.
        words: of the language.
    """
    scaled, name = _prefixed(value, unit)
    number = plain(scaled.normalize())
    spoken = words.units.get(name)
    if spoken is None:
        return spoken_number(number, words)
    if number in ("1", "-1"):
        return f"{words.minus} {spoken.one}" if number == "-1" else spoken.one
    said = _changed(spoken_number(number, words), words.before_unit)
    if spoken.feminine:
        said = _changed(said, words.before_feminine) if scaled == scaled.to_integral_value() else said
    singular = words.plural_from_two and abs(scaled) < 2
    return f"{said} {spoken.one.split(' ', 1)[1] if singular else spoken.many}"


def shown(value: Decimal | None, unit: str, words: Words) -> str:
    """Speak what a display shows; None is OL, which in ohms means that nothing conducts."""
    if value is None:
        return words.open if unit == "Ohm" else words.overload
    return quantity(value, unit, words)


def span(low: Decimal, high: Decimal, unit: str, words: Words) -> str:
    """Speak two values of a unit; it goes with the upper one, where both have the same prefix."""
    (bottom, lower), (_, upper) = _prefixed(low, unit), _prefixed(high, unit)
    alike = lower == upper or not low
    said = spoken_number(plain(bottom.normalize()), words) if alike else quantity(low, unit, words)
    return words.span.format(low=said, high=quantity(high, unit, words))


def spoken_number(number: str, words: Words) -> str:
    """Speak a number as written, such as `-24.1`; a sign of minus is spoken, noughts at the end too."""
    minus = number.startswith("-")
    whole, _, decimals = number.lstrip("-+").partition(".")
    said = [words.minus] if minus else []
    said.append(whole_number(int(whole or "0"), words))
    if decimals:
        said += [words.point, *(whole_number(int(digit), words) for digit in decimals)]
    return " ".join(said)


def whole_number(number: int, words: Words) -> str:
    """Speak a whole number, not negative."""
    return str(num2words(number, lang=words.language)).replace(",", "")


def _changed(said: str, endings: tuple[tuple[str, str], ...]) -> str:
    for ending, instead in endings:
        if said.endswith(ending):
            return said.removesuffix(ending) + instead
    return said


def _prefixed(value: Decimal, unit: str) -> tuple[Decimal, str]:
    """Choose the prefix: a small value has one where it is shown finer than a tenth of a thousandth."""
    if not value:
        return value, unit
    size, exponent = abs(value), value.as_tuple().exponent
    fine = isinstance(exponent, int) and exponent <= -4
    if unit == "Ohm" and size >= 1_000_000:
        return value / 1_000_000, "MOhm"
    if unit in ("Ohm", "Hz") and size >= 1000:
        return value / 1000, f"k{unit}"
    if unit == "A" and fine and size < _MILLI:
        return value / _MICRO, "uA"
    if unit in ("V", "A") and fine and size < 1:
        return value / _MILLI, f"m{unit}"
    if unit == "s" and size < Decimal("0.1"):
        return value / _MILLI, "ms"
    if unit == "F":
        return (value / _NANO, "nF") if size < _MICRO else (value / _MICRO, "uF")
    return value, unit
