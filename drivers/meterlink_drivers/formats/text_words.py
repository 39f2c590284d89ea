"""What a line of text says: its value, unit, function and flags; or nothing, where any part of it is not understood.

A line is one value and its unit, in this order. Before, between and behind may stand, in any number: times and dates,
the words below, and in front an index that a separator sets off. Whatever else stands there may change what the value
means, so it refuses the line: a header, an unknown word (`AVG`), a second value, the name of a channel that the
profile does not name. A line with a unit and an empty place in front of it shows a blank display.

Separators are `;` and tab; without them the comma is one, where one of the line's commas cannot be a decimal mark. What
can be read in two ways is refused: `24,06,V` (24.06, or 24 and 06), `1,234` without a unit. In a number the last of `.`
and `,` is the decimal mark and the other groups three digits each. Spaces never group digits.
"""

import re
from collections.abc import Iterator
from dataclasses import dataclass
from decimal import Decimal
from itertools import pairwise

from meterlink.reading import Flag, Function
from meterlink_drivers.formats.scpi_text import number_display
from meterlink_drivers.formats.unit_words import function_of, parse_unit, plain_letters

Unit = tuple[int, str]
"""The power of ten of a prefix, and the SenML name."""


@dataclass(frozen=True, slots=True)
class Profile:
    """What the user says of the lines."""

    decimal: str = ""
    """The decimal mark, `.` or `,`; empty where each line has to tell."""
    unit: Unit | None = None
    """The unit of lines that carry none; without it such lines are refused."""
    coupling: str = ""
    """`dc` or `ac` for volts and amperes of lines that do not tell."""
    channel: str = ""
    """A word that has to stand on a line; empty: none."""


@dataclass(frozen=True, slots=True)
class Said:
    """What a line says, as the fields of a reading."""

    display: str
    scale: int
    unit: str
    function: Function
    flags: frozenset[Flag]


_FLAG_WORDS = {
    "HOLD": Flag.HOLD,
    "REL": Flag.RELATIVE,
    "MIN": Flag.MINIMUM,
    "MAX": Flag.MAXIMUM,
    "PEAK": Flag.PEAK,
    "AUTO": Flag.AUTO_RANGE,
    "LOWBATT": Flag.LOW_BATTERY,
    "LOWBAT": Flag.LOW_BATTERY,
    "BATT": Flag.LOW_BATTERY,
    "BAT": Flag.LOW_BATTERY,
}
"""Common practice, no source, like all words here."""
_IGNORED_WORDS = {"MAN", "MANU", "MANUAL"}
"""Manual range."""
_MODES = {
    "DIODE": ("V", Function.DIODE),
    "CONT": ("Ohm", Function.CONTINUITY),
    "CONTINUITY": ("Ohm", Function.CONTINUITY),
    "BEEP": ("Ohm", Function.CONTINUITY),
    "DUTY": ("%", Function.DUTY),
}
"""Words that name the function, and the unit it goes with."""
_COUPLINGS = {"DC": "dc", "AC": "ac"}

_DATE = "|".join(rf"\d{{4}}{mark}\d\d?{mark}\d\d?|\d\d?{mark}\d\d?{mark}(?:\d{{4}}|\d\d)" for mark in ("-", "/", r"\."))
_CLOCK = r"\d{1,4}:\d\d(?::\d\d(?:[.,]\d{1,9})?)?(?:Z|[+-]\d\d:?\d\d)?"
_TIME = re.compile(rf"(?:(?:{_DATE})T)?{_CLOCK}|{_DATE}", re.ASCII)
_HALF_DAY = {"AM", "PM"}
_INDEX = re.compile(r"#?\d{1,9}", re.ASCII)
_TOKEN = re.compile(
    r"""
    (?P<over>[+-]?(?:\.?[O0]\.?L\.?|OVER|OVLD)(?![0-9.,])|\+{3,})
    | (?P<none>-[-.]*-|[Nn][Aa][Nn](?![A-Za-z]))
    | (?P<number>[+-]?(?:\d[\d.,]*|[.,]\d+)(?:[Ee][+-]?\d{1,2}(?!\d))?)
    | (?P<sign>[+-])
    | (?P<word>[A-Za-z°%]+)
    """,
    re.ASCII | re.VERBOSE,
)
_DEGREES = re.compile(r"° +(?=[CF])")
_LOW_BATTERY = re.compile(r"\bLOW[ -](?=BATT?\b)", re.IGNORECASE)
_SIGNS = str.maketrans({"\u2212": "-", "\u00a0": " ", "\u202f": " "})
_ASIDE = "\n"
"""No word of a line can be a line's end."""
_VALUES = ("over", "none", "number")


@dataclass(frozen=True, slots=True)
class _Token:
    kind: str
    """`over`, `none`, `number`, `sign`, `word`; `gap` for an empty place where a value may stand; `aside`."""
    text: str


def read_line(text: str, profile: Profile) -> Said | None:
    """Read one line, without its end. None where any part of it is not understood."""
    text = text.removeprefix("\ufeff").translate(_SIGNS)
    text = _LOW_BATTERY.sub("LOW", _DEGREES.sub("°", plain_letters(text)))
    fields = _fields(text, profile.decimal)
    if fields is None:
        return None
    words = _words(fields, profile.channel)
    tokens = None if words is None else _tokens(words)
    return None if tokens is None else _said(tokens, profile)


def _fields(text: str, decimal: str) -> list[str] | None:
    """Cut a line at its separators; None where the comma can be read in two ways."""
    if ";" in text or "\t" in text:
        return re.split("[;\t]", text)
    parts = text.split(",")
    if len(parts) == 1 or not _separates(parts):
        return [text]
    for before, after in pairwise(parts):
        if decimal != "." and _torn(before, after):
            return None
    return parts


def _separates(parts: list[str]) -> bool:
    """Tell whether one of the commas between the parts cannot stand inside a number."""
    inside = all(one[-1:].isdigit() and other[:1].isdigit() for one, other in pairwise(parts))
    return not inside or any(_TIME.fullmatch(part.strip().rpartition(" ")[2]) for part in parts[:-1])


def _torn(before: str, after: str) -> bool:
    """Tell whether two parts could be one number that its decimal comma or its grouping comma has torn apart."""
    head = re.search(r"(?:^|\s)[+-]?\s*\d*$", before)
    return head is not None and re.match(r"\d+(?![\d.])|\d{3}\.", after) is not None


def _words(fields: list[str], channel: str) -> list[str] | None:
    """Return the words of a line; None where it is not of the channel.

    The index is left out, `""` stands for an empty field, `_ASIDE` for times and the channel: they say nothing of the
    value, but what stands on their two sides does not stand side by side.
    """
    words: list[str] = []
    named = not channel
    after_time = False
    for place, one in enumerate(fields):
        field = one.strip(" ")
        if place == 0 and len(fields) > 1 and _INDEX.fullmatch(field) and _has_value(fields[1:]):
            continue
        if not field or (place == 0 and one[:1] == " "):
            words.append("")
        for word in filter(None, field.split(" ")):
            if _TIME.fullmatch(word):
                after_time = True
                words.append(_ASIDE)
                continue
            named = named or word == channel
            aside = word == channel or (after_time and word.upper() in _HALF_DAY)
            words.append(_ASIDE if aside else word)
            after_time = False
    return words if named else None


def _has_value(fields: list[str]) -> bool:
    """Tell whether a value stands in these fields, so that a bare number before them can be an index."""
    for word in " ".join(fields).split(" "):
        token = None if _TIME.fullmatch(word) else _TOKEN.match(word)
        if token is not None and token.lastgroup in _VALUES:
            return True
    return False


def _tokens(words: list[str]) -> list[_Token] | None:
    """Cut words into tokens; a sign that stands apart joins the number behind it. None for an unknown character."""
    tokens: list[_Token] = []
    for token in _raw_tokens(words):
        if token is None:
            return None
        sign = tokens[-1].text if tokens and tokens[-1].kind == "sign" else ""
        if sign:
            if token.kind not in ("number", "over") or token.text[0] in "+-":
                return None
            tokens[-1] = _Token(token.kind, sign + token.text)
        else:
            tokens.append(token)
    return tokens


def _raw_tokens(words: list[str]) -> Iterator[_Token | None]:
    for word in words:
        if word in ("", _ASIDE):
            yield _Token("aside" if word else "gap", "")
            continue
        at = 0
        while at < len(word):
            match = _TOKEN.match(word, at)
            if match is None:
                yield None
                return
            yield _Token(match.lastgroup or "", match[0])
            at = match.end()


def _said(tokens: list[_Token], profile: Profile) -> Said | None:
    """Put the tokens together; None where they are not one value with what belongs to it."""
    value: _Token | None = None
    before = ""  # the kind of the token before this one: value and unit stand side by side
    unit: Unit | None = None
    modes: list[tuple[str, Function]] = []
    couplings: list[str] = []
    flags: set[Flag] = set()
    for token in tokens:
        if token.kind in _VALUES:
            if value is not None or unit is not None:
                return None
            value = token
        elif token.kind == "word":
            in_place = before == ("gap" if value is None else value.kind)
            split = _split_unit(token.text) if in_place else None
            if split is not None and unit is None:
                unit = split[0]
                couplings += split[1]
            elif not _known(token.text.upper(), modes, couplings, flags):
                return None
        elif token.kind == "sign":
            return None
        before = token.kind
    own_unit = unit is not None
    unit = unit or profile.unit
    if unit is None or (value is None and not own_unit):
        return None
    function = _function(unit[1], modes, couplings, profile.coupling)
    display = "" if value is None else _display(value, profile.decimal, own_unit=own_unit)
    if function is None or display is None:
        return None
    return Said(display, unit[0], unit[1], function, frozenset(flags))


def _known(word: str, modes: list[tuple[str, Function]], couplings: list[str], flags: set[Flag]) -> bool:
    """Note what a word says; False for a word that is not ours."""
    if word in _FLAG_WORDS:
        flags.add(_FLAG_WORDS[word])
    elif word in _COUPLINGS:
        couplings.append(_COUPLINGS[word])
    elif word in _MODES:
        modes.append(_MODES[word])
    else:
        return word in _IGNORED_WORDS
    return True


def _split_unit(word: str) -> tuple[Unit, list[str]] | None:
    """Read `mV`, or `mVDC` as `mV` and `dc`; None for a word that is no unit."""
    unit = parse_unit(word)
    if unit is not None:
        return unit, []
    coupling = _COUPLINGS.get(word[-2:].upper())
    unit = parse_unit(word[:-2])
    return None if coupling is None or unit is None else (unit, [coupling])


def _function(unit: str, modes: list[tuple[str, Function]], couplings: list[str], stated: str) -> Function | None:
    """Tell what is measured; None where the words of a line contradict each other."""
    if len(set(modes)) > 1 or len(set(couplings)) > 1:
        return None
    coupling = couplings[0] if couplings else ""
    if modes:
        expected, function = modes[0]
        return function if expected == unit and not coupling else None
    if unit in ("V", "A"):
        return function_of(unit, coupling or stated)
    if coupling == "dc" or (coupling and unit not in ("Hz", "%")):  # a meter on its AC range may show Hz or duty
        return None
    return function_of(unit, "")


def _display(token: _Token, decimal: str, *, own_unit: bool) -> str | None:
    """Write a value as a display shows it; None where its marks make no number, or two."""
    sign = "-" if token.text[0] == "-" else ""
    if token.kind == "none":
        return ""
    if token.kind == "over":
        return f"{sign}OL"
    mantissa, mark, exponent = token.text.lstrip("+-").replace("e", "E").partition("E")
    number = _with_point(mantissa, decimal, own_unit=own_unit)
    if number is None or not mark:
        return None if number is None else f"{sign}{number}"
    return number_display(Decimal(f"{sign}{number}E{exponent}"))


def _with_point(mantissa: str, decimal: str, *, own_unit: bool) -> str | None:
    """Write digits and marks with a decimal point and without grouping."""
    if mantissa.endswith(","):
        return None  # more likely a separator
    marks = re.sub(r"\d", "", mantissa)
    if not decimal and len(marks) == 1 and not own_unit and re.search(r",\d{3}$", mantissa):
        return None  # 1,234: one and a bit, or a thousand
    mark = decimal or marks[-1:]
    other = "," if mark == "." else "."
    whole, _, part = mantissa.partition(mark) if mark else (mantissa, "", "")
    if other in whole:
        if not re.fullmatch(rf"\d{{1,3}}(?:{re.escape(other)}\d{{3}})+", whole):
            return None
        whole = whole.replace(other, "")
    if not part.isdigit() and part:
        return None
    return f"{whole}.{part}" if mark and mark in mantissa else whole
