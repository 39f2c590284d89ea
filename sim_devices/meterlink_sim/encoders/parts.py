"""What the encoders share: refusals, look-ups and the digits of a display."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import TypeVar

from meterlink.reading import FAHRENHEIT, Flag, Function, Reading, State

_Key = TypeVar("_Key")
_Value = TypeVar("_Value")

WITHOUT_PREFIX = (Function.DUTY, Function.TEMPERATURE)
"""Functions whose unit no meter shows with a prefix."""

_SHOWN_PREFIXES = {"V": (-3, 0), "A": (-6, -3, 0), "Ohm": (0, 3, 6), "F": (-9, -6, -3), "Hz": (0, 3, 6)}
"""By unit, the prefixes that handheld meters show; common practice, no source."""


@dataclass(frozen=True, slots=True)
class Number:
    """A number as the display shows it."""

    minus: bool
    digits: str
    """All digits, without the point."""
    decimals: int
    """How many of them stand behind the point."""

    @property
    def sign(self) -> int:
        """1 below zero, for a sign bit."""
        return int(self.minus)


def refusal(form: str, what: object) -> ValueError:
    """The error for what a format cannot show."""
    return ValueError(f"{form} cannot show {what}")


def look_up(table: Mapping[_Key, _Value], key: _Key, form: str, what: str) -> _Value:
    """Take a code from a table. Raises `ValueError` where the format has none."""
    if key not in table:
        raise refusal(form, f"{what} {key}")
    return table[key]


def check(reading: Reading, form: str, flags: Iterable[Flag] = ()) -> None:
    """Refuse a unit that the function does not have, a prefix that no meter shows, and flags that the format lacks.

    Raises:
        ValueError: one of these.
    """
    units = (
        (reading.function.unit, FAHRENHEIT) if reading.function is Function.TEMPERATURE else (reading.function.unit,)
    )
    if reading.unit not in units:
        raise refusal(form, f"{reading.function} in {reading.unit}")
    if reading.scale and reading.function in WITHOUT_PREFIX:
        raise refusal(form, f"{reading.function} with the prefix 10^{reading.scale}")
    for flag in sorted(reading.flags - set(flags)):
        raise refusal(form, f"the flag {flag}")


def check_prefix(reading: Reading, form: str) -> None:
    """Refuse a prefix that the format could send and no meter shows. Raises `ValueError`."""
    if reading.scale not in _SHOWN_PREFIXES.get(reading.unit, (0,)):
        raise refusal(form, f"the prefix 10^{reading.scale} with {reading.unit}")


def number(reading: Reading, form: str, places: int) -> Number:
    """Take a display's number apart.

    Raises:
        ValueError: there is none, or it has more digits than places.
    """
    if reading.state is not State.VALUE:
        raise refusal(form, f"{reading.display!r} instead of a number")
    before, _, after = reading.display.removeprefix("-").partition(".")
    if len(before + after) > places:
        raise refusal(form, f"{reading.display!r}: it has {places} digits")
    return Number(reading.display.startswith("-"), before + after, len(after))


def lit_bits(names: Mapping[Flag, int], reading: Reading) -> int:
    """Set the bit of each flag that a display shows; a flag without a bit sets none."""
    return sum(1 << bit for flag, bit in names.items() if flag in reading.flags)
