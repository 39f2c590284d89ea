"""Limits of a step, written as people write them, and what they accept. Decimal arithmetic; ends are included."""

import re
from dataclasses import dataclass
from decimal import Decimal
from typing import NamedTuple

from meterlink.reading import plain

PREFIXES = {"p": -12, "n": -9, "u": -6, "m": -3, "k": 3, "M": 6, "G": 9}
"""SI prefixes by letter. `m` and `M` differ by 10^9, so case is never folded."""

_SPELLINGS = {
    "\N{GREEK CAPITAL LETTER OMEGA}": "Ohm",
    "\N{OHM SIGN}": "Ohm",
    "ohm": "Ohm",
    "\N{GREEK SMALL LETTER MU}": "u",
    "\N{MICRO SIGN}": "u",
    "°C": "Cel",
    "℃": "Cel",
}
_UNITS = ("s", "Ohm", "Cel", "Hz", "V", "A", "F", "%")
_NUMBER = r"[-+−]?(?:[0-9]+(?:\.[0-9]+)?|\.[0-9]+)"
_QUANTITY = re.compile(rf"({_NUMBER})\s*([^\d\s.+−-]\S*)?")
_COMPARISON = re.compile(r"(<=|≤|>=|≥)(.*)")
_WITHIN = re.compile(r"within (.+?) of (.+)")
_BESIDE = re.compile(r"(.+?\.\..+?) (above|below) (.+)")
_MAX_DIGITS = 9
"""No meter shows more. So few keep `±` exact: decimal arithmetic rounds at 28 digits; the widest sum here has 20."""
_MAX_LENGTH = 60
_EXAMPLES = (
    "expected limits such as 22.0..29.0 V, 24 V ± 10 %, <= 0.5 Ohm, >= 1 MOhm, OL, not OL, within 0.3 V of G1, "
    "0..0.3 V below G1"
)


class Quantity(NamedTuple):
    """A value with its unit, without prefix."""

    value: Decimal
    unit: str
    """SenML unit."""


@dataclass(frozen=True, slots=True)
class Limits:
    """What a step accepts. `low` and `high` are in `unit` (SenML, no prefix) and belong to the accepted span."""

    text: str
    """As written in the procedure, or as worked out from the step's partner."""
    low: Decimal | None = None
    """None: no lower limit."""
    high: Decimal | None = None
    """None: no upper limit."""
    unit: str | None = None
    """None for `OL` and `not OL`, which fit any function whose open leads show OL."""
    numbers: bool = True
    """Whether a number can be accepted at all; False for `OL`."""
    overload: bool = False
    """Whether OL is accepted: `OL` itself, and `>= x`, which more than the meter's range satisfies."""
    relative_to: str | None = None
    """The earlier reading that `low` and `high` are differences to: a step's id or a test point. None: to 0."""
    span: str | None = None
    """Relative limits worked out, for sentences; None for limits whose text says it."""
    computed: bool = False
    """Whether they are still to be worked out from the circuit: until then they accept nothing."""
    share: bool = False
    """Whether `low` and `high` are shares of that reading's magnitude instead, and `unit` None."""

    @property
    def largest_share(self) -> Decimal:
        """By what share of the reading that they refer to these limits lie beside it; 0 where they are no shares."""
        return max(abs(end or Decimal(0)) for end in (self.low, self.high)) if self.share else Decimal(0)

    def around(self, value: Decimal, unit: str, shown: str) -> "Limits":
        """Work relative limits out for the reading that they refer to.

        Args:
            value: what that reading is, in `unit`.
            unit: its SenML unit.
            shown: how it is written for people.
        """
        scale = abs(value) if self.share else Decimal(1)
        low = None if self.low is None else value + self.low * scale
        high = None if self.high is None else value + self.high * scale
        ends = "..".join("" if end is None else plain(end.normalize()) for end in (low, high))
        return Limits(f"{self.text} ({shown})", low, high, unit, span=f"{ends} {unit}")

    def accept(self, value: Decimal | None) -> bool:
        """Tell whether a value (in `unit`; None stands for overload) is inside, ends included."""
        if value is None:
            return self.overload
        return self.numbers and (self.low is None or value >= self.low) and (self.high is None or value <= self.high)

    def margin(self, value: Decimal) -> Decimal | None:
        """Distance from a value to the nearest limit, in `unit`, never negative. None where there is no limit."""
        ends = [end for end in (self.low, self.high) if end is not None]
        return min((abs(value - end) for end in ends), default=None)

    @property
    def nearest_zero(self) -> Decimal:
        """The accepted magnitude nearest to 0, in `unit`; 0 where 0 itself is accepted."""
        if self.low is not None and self.low > 0:
            return self.low
        if self.high is not None and self.high < 0:
            return -self.high
        return Decimal(0)

    @property
    def one_sign(self) -> int:
        """1 where only positive values fit, -1 where only negative ones do, 0 where both or none do."""
        if self.low is not None and self.low > 0:
            return 1
        return -1 if self.high is not None and self.high < 0 else 0


TO_BE_COMPUTED = Limits("computed", numbers=False, computed=True)
"""Stands for limits that a circuit will give."""


def parse_limits(text: str) -> Limits:
    """Read limits as people write them.

    Raises:
        ValueError: says what was found and what was expected.
    """
    written = " ".join(text.split())
    if len(written) > _MAX_LENGTH:
        raise ValueError(f"{written[:_MAX_LENGTH]!r}... is longer than {_MAX_LENGTH} characters; {_EXAMPLES}")
    if written in ("OL", "not OL"):
        return Limits(written, numbers=written != "OL", overload=written == "OL")
    if relative := _WITHIN.fullmatch(written) or _BESIDE.fullmatch(written):
        return _relative(written, *relative.groups())
    comparison = _COMPARISON.fullmatch(written)
    if comparison:
        return _one_sided(written, *comparison.groups())
    if written.startswith(("<", ">")):
        raise ValueError(f"{written!r}: limits include their ends, so write {written[0]}= instead of {written[0]}")
    if ".." in written:
        return _span(written)
    halves = re.split(r"±|\+-|\+/-", written)
    if len(halves) == 2:
        return _around(written, *halves)
    raise ValueError(f"{written!r}: {_EXAMPLES}")


def parse_quantity(text: str) -> Quantity:
    """Read one value with its unit, such as `0.3 V` or `1 MOhm`, into the unit without prefix.

    Raises:
        ValueError: says what was found and what was expected.
    """
    value, unit = _number_and_unit(text)
    if unit is None:
        raise ValueError(f"{text.strip()!r}: the unit is missing, such as in 0.3 V")
    power, name = _unit(unit)
    return Quantity(value.scaleb(power), name)


def _number_and_unit(text: str) -> tuple[Decimal, str | None]:
    match = _QUANTITY.fullmatch(text.strip())
    if match is None:
        hint = "; write the decimal mark as a point" if re.search(r"\d,\d", text) else ""
        raise ValueError(f"{text.strip()!r} is not a number with a unit, such as 0.3 V{hint}")
    if sum(character.isdigit() for character in match[1]) > _MAX_DIGITS:
        raise ValueError(f"{match[1]!r} has more than {_MAX_DIGITS} digits, more than any meter shows")
    return Decimal(match[1].replace("−", "-")), match[2]


def _unit(text: str) -> tuple[int, str]:
    for spelling, name in _SPELLINGS.items():
        text = text.replace(spelling, name)
    for name in _UNITS:
        prefix = text.removesuffix(name)
        if prefix != text and (not prefix or (prefix in PREFIXES and name not in ("%", "Cel"))):
            return PREFIXES.get(prefix, 0), name
    raise ValueError(
        f"unit {text!r} is not known; expected one of {', '.join(reversed(_UNITS))}, "
        f"with a prefix of {' '.join(PREFIXES)} where needed (m is milli, M is mega)"
    )


def _one_sided(written: str, sign: str, quantity: str) -> Limits:
    value, unit = parse_quantity(quantity)
    if sign in ("<=", "≤"):
        return Limits(written, high=value, unit=unit)
    return Limits(written, low=value, unit=unit, overload=unit == "Ohm")


def _span(written: str) -> Limits:
    if "..." in written:
        raise ValueError(f"{written!r}: write two points between the limits and a digit before each decimal mark")
    left, _, right = written.partition("..")
    high, unit = _number_and_unit(right.strip())
    low, low_unit = _number_and_unit(left.strip())
    if unit is None:
        raise ValueError(f"{written!r}: the unit is missing behind the upper limit, such as in 22.0..29.0 V")
    power, name = _unit(unit)
    low_power, low_name = _unit(low_unit) if low_unit else (power, name)
    if low_name != name:
        raise ValueError(f"{written!r}: the two limits have different units, {low_name} and {name}")
    return _ordered(written, low.scaleb(low_power), high.scaleb(power), name)


def _around(written: str, middle_text: str, spread_text: str) -> Limits:
    spread, spread_unit = _number_and_unit(spread_text)
    middle, middle_unit = _number_and_unit(middle_text)
    unit = middle_unit or spread_unit
    if unit is None or (unit == "%" and middle_unit is None):
        raise ValueError(f"{written!r}: the unit is missing behind the middle value, such as in 24 V ± 10 %")
    power, name = _unit(unit)
    middle = middle.scaleb(power)
    if spread < 0:
        raise ValueError(f"{written!r}: the spread behind ± must not be negative")
    if spread_unit == "%":
        if name in ("%", "Cel"):
            raise ValueError(
                f"{written!r}: a percentage of {name} says two things; write a span, such as 45..55 {name}"
            )
        half = abs(middle) * spread / 100
    elif spread_unit is None:
        raise ValueError(f"{written!r}: the unit is missing behind ±; write ± 10 % or ± 2.4 V")
    else:
        spread_power, spread_name = _unit(spread_unit)
        if spread_name != name:
            raise ValueError(f"{written!r}: the two parts have different units, {name} and {spread_name}")
        half = spread.scaleb(spread_power)
    return _ordered(written, middle - half, middle + half, name)


def _relative(written: str, difference: str, *where: str) -> Limits:
    other = where[-1]
    if len(where) == 1:
        size, unit = _number_and_unit(difference)
        if size < 0:
            raise ValueError(f"{written!r}: a difference must not be negative")
        if unit == "%":
            return Limits(written, -size / 100, size / 100, relative_to=other, share=True)
        size, name = parse_quantity(difference)
        return Limits(written, -size, size, name, relative_to=other)
    span = _span(difference)
    if span.low is None or span.high is None or span.low < 0:
        raise ValueError(f"{written!r}: write how far {where[0]} without a sign")
    low, high = (span.low, span.high) if where[0] == "above" else (-span.high, -span.low)
    return Limits(written, low, high, span.unit, relative_to=other)


def _ordered(written: str, low: Decimal, high: Decimal, unit: str) -> Limits:
    if low > high:
        raise ValueError(
            f"{written!r} is upside down: lower limit {plain(low)} {unit}, upper limit {plain(high)} {unit}"
        )
    return Limits(written, low, high, unit)
