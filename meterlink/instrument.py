"""What is known of a meter: its accuracy sheet as data, and the instrument in hand with its calibration."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from enum import StrEnum

from meterlink.reading import Function, Instant


@dataclass(frozen=True, slots=True)
class Climate:
    """The temperatures for which an accuracy is stated, and what each kelvin outside adds."""

    low: Decimal = Decimal(18)
    """In degrees Celsius."""
    high: Decimal = Decimal(28)
    """In degrees Celsius."""
    accuracy_per_kelvin: Decimal = Decimal("0.1")
    """Added for each kelvin outside, as a share of the stated limit of error (the usual data-sheet wording)."""
    reading_per_kelvin: Decimal = Decimal(0)
    """Added for each kelvin outside, as a share of the reading."""

    def outside(self, celsius: Decimal) -> Decimal:
        """By how many kelvin a temperature lies outside."""
        return max(self.low - celsius, celsius - self.high, Decimal(0))


@dataclass(frozen=True, slots=True)
class Range:
    """One range of one function, as the data sheet states it. Values are in the function's unit, without prefix."""

    full: Decimal
    """The largest magnitude that it holds."""
    resolution: Decimal
    """The size of one count."""
    reading: Decimal
    """Accuracy: share of the reading, 0.005 for 0.5 %."""
    counts: Decimal
    """Accuracy: and that many counts."""
    impedance: Decimal | None = None
    """What the meter loads the circuit with, in Ohm; None where it is not known."""
    test_current: Decimal | None = None
    """What it sends through the circuit, in A; None where it is not known."""
    updates: Decimal | None = None
    """Updates of the display a second; None where it is not known."""
    climate: Climate = Climate()

    def gain_limit(self, value: Decimal) -> Decimal:
        """The part of the limit of error that goes with the reading."""
        return self.reading * abs(value)

    @property
    def count_limit(self) -> Decimal:
        """The part of the limit of error that is the same all over the range."""
        return self.counts * self.resolution

    def limit_of_error(self, value: Decimal, celsius: Decimal | None = None) -> Decimal:
        """The limit of error of a reading: ±(% of reading + counts), and what the temperature adds.

        Args:
            value: the reading, in the function's unit.
            celsius: the meter's temperature; None: within what the sheet states.
        """
        kelvin = Decimal(0) if celsius is None else self.climate.outside(celsius)
        return self.gain_limit(value) + self.count_limit + self.temperature_limit(value, kelvin)

    def temperature_limit(self, value: Decimal, kelvin: Decimal) -> Decimal:
        """What so many kelvin outside the stated temperatures add to the limit of error."""
        stated = self.gain_limit(value) + self.count_limit
        climate = self.climate
        return kelvin * (climate.accuracy_per_kelvin * stated + climate.reading_per_kelvin * abs(value))


@dataclass(frozen=True, slots=True)
class Sheet:
    """An accuracy sheet."""

    name: str
    text: str
    """The file it was read from, character for character: it is kept with every job that rests on it."""
    ranges: Mapping[Function, tuple[Range, ...]]
    """Each function's ranges, smallest first."""
    title: str = ""
    source: str = ""

    def smallest(self, function: Function, value: Decimal) -> Range | None:
        """The smallest range that holds a value; None where none does."""
        return next((each for each in self.ranges.get(function, ()) if abs(value) <= each.full), None)

    def one_above(self, function: Function, value: Decimal) -> Range | None:
        """The range above the smallest that holds a value, where there is one; None where none holds it."""
        holding = [each for each in self.ranges.get(function, ()) if abs(value) <= each.full]
        return next(iter(holding[1:] or holding), None)

    def shown_on(self, function: Function, value: Decimal, resolution: Decimal) -> Range | None:
        """The range on which a display shows a value with that resolution: what the wire says comes first.

        The smallest with this resolution that holds the value; where none has it, the smallest that holds the value.
        """
        holding = [each for each in self.ranges.get(function, ()) if abs(value) <= each.full]
        same = (each for each in holding if each.resolution == resolution)
        return next(same, holding[0] if holding else None)


@dataclass(frozen=True, slots=True)
class Wire:
    """How a meter's bytes are read: all that it takes to decode a stored frame again."""

    format: str
    """The wire format's name."""
    options: Mapping[str, str]
    """The format's own."""
    description: str | None = None
    """The text of the file that describes the format; None for one in code."""


class Calibration(StrEnum):
    """Where an instrument's calibration stands on the day of the job."""

    VALID = "valid"
    OVERDUE = "overdue"
    MISSING = "missing"
    """The instrument is registered, but no calibration is."""
    UNKNOWN = "unknown"
    """The instrument is not registered."""


@dataclass(frozen=True, slots=True)
class Instrument:
    """The meter in hand, as a job knows it. An input of the engine: what is judged from now on rests on it."""

    sheet: Sheet
    at: Instant
    name: str | None = None
    """As the register has it; None for a meter that is not registered."""
    identity: str | None = None
    """The device's own identity, where it has one."""
    certificate: str | None = None
    calibrated: str | None = None
    """The day of calibration, ISO 8601."""
    due: str | None = None
    """The last day on which the calibration is valid, ISO 8601."""
    calibration: Calibration = Calibration.UNKNOWN
    """As the shell found it on the day."""
    cautious: bool = False
    """Whether the sheet is the cautious default, since nothing is known of the meter."""
    celsius: Decimal | None = None
    """The meter's temperature; None: taken as within what the sheet states."""
    fallback: Sheet | None = field(default=None, compare=False)
    """The cautious default, for what the sheet does not cover."""
    wire: Wire | None = None
    """How its bytes are read; None for a trace, which has none."""

    def own_ranges(self, function: Function) -> tuple[Range, ...]:
        """The meter's own ranges, smallest first; none where they are not known."""
        return () if self.cautious else self.sheet.ranges.get(function, ())

    def as_json(self) -> Mapping[str, object]:
        """What is known, without the sheet's text."""
        return {
            "instrument": self.name,
            "identity": self.identity,
            "sheet": self.sheet.name,
            "cautious_default": self.cautious,
            "certificate": self.certificate,
            "calibrated": self.calibrated,
            "due": self.due,
            "calibration": self.calibration.value,
            "temperature_celsius": None if self.celsius is None else float(self.celsius),
        }
