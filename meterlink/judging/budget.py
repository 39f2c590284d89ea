"""The uncertainty budget of a settled touch, and of the difference between two touches.

The error of one reading, by the GUM:

- **accuracy**: the sheet's ±(% of reading + counts), limits of error, rectangular;
- **temperature**: what each kelvin outside the sheet's span adds, rectangular;
- **resolution**: half a count, rectangular: the median is one of the values that the display can show;
- **scatter**: of the readings of the touch, Student's t with n - 1 degrees of freedom, less what the rounding to counts
  puts into it (GUM 4.3.10: nothing counts twice);
- **loading**: what the meter's input impedance takes off where the circuit's source resistance is stated, rectangular.

Two touches with the same meter on the same range, minutes apart, share the error that goes with the reading: in their
difference it cancels but for the little by which the readings differ. Counts, resolution and scatter do not cancel.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from decimal import Decimal

from meterlink.instrument import Instrument, Range
from meterlink.judging.uncertainty import Component, Shape, combined, effective_dof, rectangular, series
from meterlink.reading import NS_PER_S, Function, Instant, Reading, plain

MEDIAN_FACTOR = Decimal("1.2533")
"""√(π/2): by so much the median of many readings scatters more than their mean; of few, by less."""

SHARED_FOR_NS = 3600 * NS_PER_S
"""How far apart two touches may lie and still share the meter's gain error (common practice, no source)."""

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
        return MEDIAN_FACTOR * unrounded / Decimal(self.readings).sqrt()


def shown(window: Sequence[Reading]) -> Shown:
    """Sum up readings that show a number, of one function, oldest first.

    Raises:
        ValueError: one of them shows no number.
    """
    values = sorted(reading.value for reading in window if reading.value is not None)
    if not values or len(values) < len(window):
        raise ValueError("only readings that show a number can be summed up")
    last = window[-1]
    return Shown(
        value=values[(len(values) - 1) // 2],
        unit=last.unit,
        function=last.function,
        resolution=max(reading.resolution for reading in window),
        deviation=series(values).deviation,
        readings=len(values),
        at=last.at,
    )


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
    meter: tuple[str | None, int]
    """Tells one meter from another: two touches share an error only with the same."""
    kelvin_outside: Decimal = Decimal(0)
    """By how much the meter is colder or warmer than its sheet allows for."""
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
    meter = (instrument.name, 0 if instrument.name else instrument.at.monotonic_ns)
    cautious = sheet is not None and (instrument.cautious or sheet != instrument.sheet.name)
    budget = Budget(seen, (), row, sheet, cautious, meter)
    if row is None:
        return budget
    value = seen.value
    accuracy = rectangular(
        "accuracy",
        row.limit_of_error(value),
        f"±({_percent(row.reading)} of {plain(value)} + {plain(row.counts)} x {plain(row.resolution)}) {seen.unit}, "
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
    return replace(budget, components=tuple(lines), kelvin_outside=kelvin)


def difference(one: Budget, other: Budget) -> Budget:
    """Work out the budget of `one` less `other`, both in the same unit.

    With the same meter on the same range, at most an hour apart, the gain part of the accuracy and what the temperature
    adds cancel, but for the difference of the readings. Otherwise nothing does.
    """
    scatter = _scatter_of_both(one, other)
    if not _share_a_gain(one, other):
        whole = (*_named(one, "this touch"), *_named(other, "other touch"), *scatter)
        return replace(one, components=whole, compared=True)
    row = one.range
    assert row is not None  # noqa: S101 - what shares a gain has a range
    apart, unit = abs(one.shown.value - other.shown.value), one.shown.unit
    left = [
        rectangular(
            "gain, what is left",
            row.gain_limit(apart),
            f"{_percent(row.reading)} of the difference, {plain(apart)} {unit}",
        )
    ]
    about = f"±{plain(row.counts)} x {plain(row.resolution)} {unit}"
    counts = [rectangular(f"counts, {touch}", row.count_limit, about) for touch in ("this touch", "other touch")]
    if one.kelvin_outside:
        at_zero = row.temperature_limit(Decimal(0), one.kelvin_outside)
        of_gain = row.temperature_limit(apart, one.kelvin_outside) - at_zero
        left.append(rectangular("temperature, what is left", of_gain, "what goes with the reading, of the difference"))
        counts += [
            rectangular(f"temperature, {touch}", at_zero, "what goes with the counts")
            for touch in ("this touch", "other touch")
        ]
    rest = [
        each
        for each in (*_named(one, "this touch"), *_named(other, "other touch"))
        if not each.name.startswith(("accuracy", "temperature"))
    ]
    temperature = [each for each in one.components if each.name == "temperature"]
    shared = combined([rectangular("gain", row.gain_limit(one.shown.value)), *temperature])
    return replace(
        one,
        components=(*left, *counts, *rest, *scatter),
        compared=True,
        cancelled=Component("gain, common to both touches", shared, Shape.RECTANGULAR, "cancels in the difference"),
    )


def _share_a_gain(one: Budget, other: Budget) -> bool:
    """Tell whether two touches were taken with the same meter on the same range, minutes apart."""
    apart = abs(one.shown.at.monotonic_ns - other.shown.at.monotonic_ns)
    same_meter = (one.meter, one.sheet, one.kelvin_outside) == (other.meter, other.sheet, other.kelvin_outside)
    same_range = one.range is not None and one.range == other.range and one.shown.function is other.shown.function
    return same_meter and same_range and apart <= SHARED_FOR_NS


def _scatter_of_both(one: Budget, other: Budget) -> list[Component]:
    """Combine the scatter of two touches, by Welch and Satterthwaite where it is that of few readings."""
    parts = [each for budget in (one, other) for each in budget.components if each.name == "scatter"]
    if not parts:
        return []
    dof = effective_dof(parts)
    shape = Shape.NORMAL if dof is None else Shape.STUDENT
    return [
        Component(
            "scatter of both", combined(parts), shape, "of this touch and the other", None if dof is None else int(dof)
        )
    ]


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
        return Component("scatter", seen.deviation, Shape.NORMAL, "standard deviation, as stated")
    about = f"standard deviation {seen.deviation:.2g} {seen.unit} of {seen.readings} readings, less the rounding"
    return Component("scatter", seen.of_median(step), Shape.STUDENT, about, seen.readings - 1)


def _named(budget: Budget, touch: str) -> list[Component]:
    """A budget's lines but for the scatter, with the touch in their names."""
    return [replace(each, name=f"{each.name}, {touch}") for each in budget.components if each.name != "scatter"]


def _percent(share: Decimal) -> str:
    return f"{(share * 100).normalize():f} %"
