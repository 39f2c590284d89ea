"""The uncertainty budget of a settled touch.

The error of one reading, by the GUM:

- **accuracy**: the sheet's ±(% of reading + counts), limits of error, rectangular;
- **temperature**: what each kelvin outside the sheet's span adds, rectangular;
- **resolution**: half a count, rectangular: the median is one of the values that the display can show;
- **scatter**: of the readings of the touch, Student's t with n - 1 degrees of freedom, less what the rounding to counts
  puts into it (GUM 4.3.10: nothing counts twice);
- **loading**: what the meter's input impedance takes off where the circuit's source resistance is stated, rectangular.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from decimal import Decimal

from meterlink.instrument import Instrument, Range
from meterlink.judging.uncertainty import (
    Component,
    Series,
    Shape,
    combined,
    rectangular,
    series,
    stated,
)
from meterlink.judging.words import percent
from meterlink.reading import Function, Instant, Reading, plain

MEDIAN_FACTOR = Decimal("1.2533")
"""√(π/2): by so much the median of many readings scatters more than their mean; of few, by less."""

LOWEST_IMPEDANCE = Decimal(1_000_000)
"""Ohms, for a sheet that does not state it: no hand-held loads a circuit more, but for low-impedance modes (common
practice, no source)."""


@dataclass(frozen=True, slots=True)
class Shown:
    """What the display showed of a settled touch."""

    value: Decimal
    """The median, a value that was displayed, in `unit`."""
    unit: str
    function: Function
    resolution: Decimal
    """The size of one count, the coarsest of the readings."""
    deviation: Decimal
    """Experimental standard deviation of one reading."""
    readings: int
    at: Instant
    """When the newest reading came."""
    range_full: Decimal | None = None
    """The range, where something else than the digits tells it."""
    wire_tells_range: bool = True
    """Whether the resolution is the display's own, so that it tells the range."""

    def of_median(self, step: Decimal) -> Decimal:
        """Standard uncertainty of the median, less what the rounding to a step adds to the scatter of each reading.

        The median is itself a rounded value, and its rounding is a line of its own (GUM 4.3.10: nothing counts twice).
        """
        unrounded = max(self.deviation**2 - step**2 / 12, Decimal(0)).sqrt()
        return MEDIAN_FACTOR * Series(self.value, unrounded, self.readings).of_mean


def shown(window: Sequence[Reading]) -> Shown:
    """Sum up readings that show a number, of one function, oldest first.

    Raises:
        ValueError: one of them shows no number.
    """
    values = [reading.value for reading in window if reading.value is not None]
    if not values or len(values) < len(window):
        raise ValueError("only readings that show a number can be summed up")
    last = window[-1]
    return Shown(
        value=middle(values),
        unit=last.unit,
        function=last.function,
        resolution=max(reading.resolution for reading in window),
        deviation=series(values).deviation,
        readings=len(values),
        at=last.at,
    )


def middle(values: Sequence[Decimal]) -> Decimal:
    """The median as a value that was displayed: of an even number, that of the two in the middle nearer to the mean."""
    ordered = sorted(values)
    low, high = ordered[(len(ordered) - 1) // 2], ordered[len(ordered) // 2]
    mean = sum(ordered, Decimal(0)) / len(ordered)
    return low if mean - low <= high - mean else high


@dataclass(frozen=True, slots=True)
class Budget:
    """The uncertainty of one value, line by line."""

    shown: Shown
    components: tuple[Component, ...]
    range: Range | None
    """None where no sheet covers the value."""
    sheet: str | None
    """The name of the sheet that was used."""
    cautious: bool
    """Whether that is the cautious default."""
    meter: tuple[str | None, str | None]
    """Tells one meter from another, by name or else by the device: two touches share an error only with the same."""
    celsius: Decimal | None = None
    """The meter's temperature, where stated."""
    compared: bool = False
    """Whether it is that of a difference between two touches."""
    cancelled: Component | None = None
    """In a difference: the error that both touches share, and that is gone from it."""

    @property
    def standard(self) -> Decimal:
        """The combined standard uncertainty."""
        return combined(self.components)


def budget_of(seen: Shown, instrument: Instrument, source_ohms: Decimal | None = None) -> Budget:
    """Work out the budget of one touch.

    Args:
        seen: what the display showed.
        instrument: the meter in hand.
        source_ohms: the most that the circuit's source resistance can be, seen from the test point, in Ohm; None where
            the circuit does not give it.
    """
    row, sheet = _row(seen, instrument)
    meter = (instrument.name, None if instrument.name else instrument.identity)
    cautious = sheet is not None and (instrument.cautious or sheet != instrument.sheet.name)
    budget = Budget(seen, (), row, sheet, cautious, meter)
    if row is None:
        return budget
    value = seen.value
    accuracy = rectangular(
        "accuracy",
        row.limit_of_error(value),
        f"±({percent(row.reading)} of {plain(value)} + {plain(row.counts)} x {plain(row.resolution)}) {seen.unit}, "
        f"range {plain(row.full)} {seen.unit}",
    )
    half_a_count = rectangular("resolution", row.resolution / 2, f"half of {plain(row.resolution)} {seen.unit}")
    lines = [accuracy, half_a_count]
    kelvin = Decimal(0) if instrument.celsius is None else row.climate.outside(instrument.celsius)
    if kelvin:
        span = f"{plain(row.climate.low)}..{plain(row.climate.high)} °C"
        about = f"{plain(kelvin)} K outside {span}"
        lines.append(rectangular("temperature", row.temperature_limit(value, kelvin), about))
    if seen.deviation:
        lines.append(_scatter(seen, row.resolution))
    if source_ohms and seen.function in (Function.DC_VOLTAGE, Function.AC_VOLTAGE):
        meter_ohms = row.impedance or LOWEST_IMPEDANCE
        about = f"up to {plain(source_ohms)} Ohm of source on {plain(meter_ohms)} Ohm of meter; not corrected"
        lines.append(rectangular("loading", abs(value) * source_ohms / meter_ohms, about))
    return replace(budget, components=tuple(lines), celsius=instrument.celsius)


def _row(seen: Shown, instrument: Instrument) -> tuple[Range | None, str | None]:
    """The range to judge by, and the name of its sheet; a display that shows less than the sheet's counts rules."""
    for sheet in (instrument.sheet, instrument.fallback):
        if sheet is None:
            continue
        if seen.range_full is not None:
            row = sheet.smallest(seen.function, seen.range_full)
        elif seen.wire_tells_range:
            row = sheet.shown_on(seen.function, seen.value, seen.resolution)
        elif instrument.cautious:
            # Neither the meter nor its range is known: it may well have fewer counts than the default's display.
            row = sheet.one_above(seen.function, seen.value)
        else:
            row = sheet.smallest(seen.function, seen.value)
        if row is not None:
            coarser = seen.wire_tells_range and seen.resolution > row.resolution
            return replace(row, resolution=seen.resolution) if coarser else row, sheet.name
    return None, None


def _scatter(seen: Shown, step: Decimal) -> Component:
    if seen.readings < 2:
        return stated("scatter", seen.deviation, Decimal(1), "standard deviation, as stated")
    about = f"standard deviation {seen.deviation:.2g} {seen.unit} of {seen.readings} readings, less the rounding"
    return Component("scatter", seen.of_median(step), Shape.STUDENT, about, seen.readings - 1)
