"""A reading: one update of a meter's display, digit for digit, with the time it arrived.

The number is kept as the display shows it, never as a binary float: 24.10 V stays 24.10 V, so its resolution is known.
Units are SenML names (RFC 8428, section 12.1): `V`, `A`, `Ohm`, `Hz`, `F`, `Cel`, `%`; for degrees Fahrenheit, which
SenML lacks, `degF`. A number whose meaning the wire does not tell has no unit.
"""

import re
from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum
from functools import cached_property

NS_PER_S = 1_000_000_000

FAHRENHEIT = "degF"
"""The unit of a temperature that the meter shows in degrees Fahrenheit. Kept as shown: a converted number would be one
that no display showed."""


class Function(StrEnum):
    """What the meter's dial selects."""

    DC_VOLTAGE = "dc-voltage"
    AC_VOLTAGE = "ac-voltage"
    RESISTANCE = "resistance"
    CONTINUITY = "continuity"
    DIODE = "diode"
    DC_CURRENT = "dc-current"
    AC_CURRENT = "ac-current"
    FREQUENCY = "frequency"
    CAPACITANCE = "capacitance"
    TEMPERATURE = "temperature"
    DUTY = "duty"
    VOLTAGE = "voltage"
    """Volts of which the wire does not tell whether they are AC or DC."""
    CURRENT = "current"
    """Amperes of which the wire does not tell whether they are AC or DC."""
    NUMBER = "number"
    """A number of which the wire tells no more."""
    OTHER = "other"
    """A function that no procedure asks for, such as transistor gain or field detection."""

    @property
    def unit(self) -> str:
        """The SenML unit in which this function measures."""
        return _UNITS[self]

    @property
    def judged(self) -> bool:
        """Whether a step may ask for it: the wire tells all that a verdict needs."""
        return self not in (Function.VOLTAGE, Function.CURRENT, Function.NUMBER, Function.OTHER)

    @property
    def open_leads_read_overload(self) -> bool:
        """Whether leads in the air show OL in this function (and not a value near 0)."""
        return self in (Function.RESISTANCE, Function.CONTINUITY, Function.DIODE)


_UNITS = {
    Function.DC_VOLTAGE: "V",
    Function.AC_VOLTAGE: "V",
    Function.RESISTANCE: "Ohm",
    Function.CONTINUITY: "Ohm",
    Function.DIODE: "V",
    Function.DC_CURRENT: "A",
    Function.AC_CURRENT: "A",
    Function.FREQUENCY: "Hz",
    Function.CAPACITANCE: "F",
    Function.TEMPERATURE: "Cel",
    Function.DUTY: "%",
    Function.VOLTAGE: "V",
    Function.CURRENT: "A",
    Function.NUMBER: "",
    Function.OTHER: "",
}


class State(StrEnum):
    """Whether the display shows a number."""

    VALUE = "value"
    OVERLOAD = "overload"
    BLANK = "blank"


class Flag(StrEnum):
    """An annunciator that changes or weakens what the number means."""

    HOLD = "hold"
    RELATIVE = "relative"
    MINIMUM = "minimum"
    MAXIMUM = "maximum"
    PEAK = "peak"
    AUTO_RANGE = "auto-range"
    LOW_BATTERY = "low-battery"


@dataclass(frozen=True, slots=True, order=True)
class Instant:
    """One moment, by both clocks."""

    monotonic_ns: int
    """Nanoseconds since the job (or stream) started, by a clock that never steps: order and intervals."""
    utc_ns: int
    """Nanoseconds since 1970-01-01T00:00:00Z: the wall clock, which may step."""

    @property
    def seconds(self) -> Decimal:
        """Seconds since the start, exact."""
        return Decimal(self.monotonic_ns).scaleb(-9)


_NUMBER = re.compile(r"-?(\d+\.?\d*|\.\d+)", re.ASCII)


@dataclass(frozen=True)
class Reading:
    """One update of the display.

    Raises:
        ValueError: the display text is not a number, `OL`, `-OL` or empty.
    """

    display: str
    """The text shown, without prefix and unit: `24.10`, `-0.05`, `000.3`; `OL` or `-OL`; empty when blank."""
    unit: str
    """SenML unit, without prefix."""
    function: Function
    at: Instant
    scale: int = 0
    """Power of ten of the prefix shown: -3 for mV, 6 for MOhm."""
    flags: frozenset[Flag] = frozenset()
    raw: bytes = b""
    """The frame this was decoded from; empty where there is none."""
    step: Decimal | None = None
    """The smallest change the wire can carry, in `unit`, where that is not one unit of the last digit shown: 1/64 V."""

    def __post_init__(self) -> None:
        if self.display not in ("OL", "-OL", "") and not _NUMBER.fullmatch(self.display):
            raise ValueError(f"display text {self.display!r}: expected a number as a meter shows it, 'OL', '-OL' or ''")

    @cached_property
    def state(self) -> State:
        """Value, overload or blank."""
        if self.display.endswith("OL"):
            return State.OVERLOAD
        return State.VALUE if self.display else State.BLANK

    @cached_property
    def value(self) -> Decimal | None:
        """The value in `unit`, exact, with the display's resolution; None without a number."""
        return Decimal(self.display).scaleb(self.scale) if self.state is State.VALUE else None

    @property
    def counts(self) -> int | None:
        """The digits as one signed integer: 2410 for 24.10."""
        return None if self.value is None else int(self.value.scaleb(-self.exponent))

    @cached_property
    def exponent(self) -> int:
        """Power of ten of one count, in `unit`: -2 for 24.10 V. The prefix's own where there is no number."""
        _, _, decimals = self.display.partition(".")
        return self.scale - (len(decimals) if self.state is State.VALUE else 0)

    @property
    def resolution(self) -> Decimal:
        """The size of one count, in `unit`."""
        return Decimal(1).scaleb(self.exponent) if self.step is None else self.step


def plain(value: Decimal) -> str:
    """Write a value out in full, keeping its resolution: 0.0241, 4700, never 4.7E+3."""
    return f"{value:f}"
