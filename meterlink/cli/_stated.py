"""The options by which `check` and `resume` are told about the meter; `judge` reads a temperature as they do."""

from collections.abc import Callable
from decimal import Decimal
from functools import wraps
from typing import Any

import click

from meterlink.errors import UsageError
from meterlink.in_hand import Stated
from meterlink.limits import parse_quantity

_COLDEST, _WARMEST = Decimal(-40), Decimal(80)


def celsius(text: str | None) -> Decimal | None:
    """Read a temperature with its unit, such as 12 °C.

    Raises:
        UsageError: it is none that a meter works at.
    """
    if text is None:
        return None
    try:
        value, unit = parse_quantity(text)
    except ValueError as error:
        raise UsageError(f"temperature {text!r}: {error}") from error
    if unit != "Cel" or not _COLDEST <= value <= _WARMEST:
        raise UsageError(f"temperature {text!r}: expected degrees Celsius from -40 to 80, such as 12 °C")
    return value


def stated_options(command: Callable[..., None]) -> Callable[..., None]:
    """Add the options to a command, which gets them as `stated`."""

    @click.option("--instrument", metavar="NAME", help="The meter in hand, as registered (steadypoint instruments).")
    @click.option("--sheet", metavar="SHEET", help="Its accuracy sheet, by name or file, where it is not registered.")
    @click.option("--temperature", metavar="T", help="Its temperature, such as '5 °C'.")
    @wraps(command)
    def with_stated(
        *args: Any, instrument: str | None, sheet: str | None, temperature: str | None, **kwargs: Any
    ) -> None:
        command(*args, stated=Stated(instrument, sheet, celsius(temperature)), **kwargs)

    return with_stated
