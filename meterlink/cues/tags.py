"""Text of the trade made fit to be spoken: terminals, quantities and spans in it; the rest stays as written. Pure."""

import re
from decimal import Decimal

from meterlink.cues.numbers import quantity, span, spoken_number, whole_number
from meterlink.cues.words.model import Words
from meterlink.limits import parse_limits, parse_quantity

_TAG = r"[A-Z]{1,2}[0-9]{1,3}[A-Z]?(?:[:.-][A-Z]{0,2}[0-9]{1,3}[A-Z]?)*(?::[+-])?|PE(?=\b)"
_UNITS = r"[munkMµ]?(?:Ohm|Hz|V|A|F|s)|Ω|kΩ|MΩ|°C|%"
_NUMBER = r"[-−]?[0-9]+(?:\.[0-9]+)?"
_SPEAKABLE = re.compile(
    rf"(?<![\w:.])(?:(?P<tag>{_TAG})|(?P<low>{_NUMBER})\.\.(?P<high>{_NUMBER} ?(?:{_UNITS}))"
    rf"|(?P<value>{_NUMBER} ?(?:{_UNITS})))(?![\w])"
)
_PARTS = re.compile(r"[A-Z]|[0-9]+|[+-]$|[:.-]")


def as_spoken(text: str, words: Words) -> str:
    """Speak a text as written, but for what no voice reads as the trade does: `X1:4`, `24.1 V`, `22..29 V`."""
    return _SPEAKABLE.sub(lambda found: _spoken(found, words), text)


def limits(text: str, words: Words) -> str | None:
    """Speak limits; None where they only make sense beside another reading, or cannot be read."""
    try:
        read = parse_limits(text)
    except ValueError:
        return None
    if read.relative_to is not None or read.unit is None:
        return None
    if read.low is not None and read.high is not None:
        return span(read.low, read.high, read.unit, words)
    if read.high is not None:
        return words.at_most.format(high=quantity(read.high, read.unit, words))
    return None if read.low is None else words.at_least.format(low=quantity(read.low, read.unit, words))


def _spoken(found: re.Match[str], words: Words) -> str:
    if found["tag"]:
        return _letters_and_numbers(found["tag"], words)
    written = found["value"] or found["high"]
    try:
        value, unit = _quantity(written.replace("−", "-"))
    except ValueError:
        return found[0]
    said = quantity(value, unit, words)
    return (
        words.span.format(low=spoken_number(found["low"].replace("−", "-"), words), high=said) if found["low"] else said
    )


def _quantity(written: str) -> tuple[Decimal, str]:
    if written.endswith("s"):  # seconds are no unit of a display
        milli = written.endswith("ms")
        return Decimal(written.rstrip("ms ")).scaleb(-3 if milli else 0), "s"
    return parse_quantity(written)


def _letters_and_numbers(written: str, words: Words) -> str:
    said = ""
    for part in _PARTS.findall(written):
        if part.isdigit():
            said += " " + whole_number(int(part), words)
        elif part.isalpha():
            said += " " + words.letters.get(part, part)
        elif said and part in ":.-" and not written.endswith(part):
            said += ","
        else:
            said += ", " + (words.plus if part == "+" else words.minus)
    return said.strip().replace(",,", ",")
