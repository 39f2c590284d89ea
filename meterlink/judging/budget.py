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
from meterlink.judging.uncertainty import (
    Component,
    Series,
    Shape,
    combined,
    effective_dof,
    propagated,
    rectangular,
    series,
    stated,
    whole_dof,
)
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
    meter: tuple[str | None, int]
    """Tells one meter from another: two touches share an error only with the same."""
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
    return replace(budget, components=tuple(lines), celsius=instrument.celsius)


def difference(one: Budget, other: Budget, share: Decimal = Decimal(0)) -> Budget:
    """Work out the budget of `one` less `other`, both in the same unit.

    With the same meter on the same range, at most an hour apart, what goes with the reading (gain, and what the
    temperature adds to it) is fully correlated, and only its part of the difference is left (GUM 5.2.2). Otherwise
    nothing cancels.

    Args:
        one: of this touch.
        other: of the touch that it is compared with.
        share: by what share of the other reading the limits lie beside it: this touch is compared with (1 ± share)
            times the other, and the larger uncertainty of the two is taken.
    """
    other_parts = [
        replace(each, standard_uncertainty=each.standard_uncertainty * (1 + share)) for each in other.components
    ]
    scatter = _scatter_of_both(one.components, other_parts)
    parts = (*_named(one.components, "this touch"), *_named(other_parts, "other touch"))
    row = one.range
    if row is None or not _share_a_gain(one, other):
        return replace(one, components=(*parts, *scatter), compared=True)
    kelvin = Decimal(0) if one.celsius is None else row.climate.outside(one.celsius)
    gains = (
        ("gain", row.gain_limit(Decimal(1))),
        ("temperature", row.temperature_limit(Decimal(1), kelvin) - row.temperature_limit(Decimal(0), kelvin)),
    )
    left, shared = [], []
    for name, limit in gains:
        if limit:
            of_one = rectangular(name, limit)
            left.append(_what_is_left(of_one, one.shown, other.shown, share))
            shared.append(replace(of_one, standard_uncertainty=of_one.standard_uncertainty * abs(one.shown.value)))
    counts = row.count_limit + row.temperature_limit(Decimal(0), kelvin)
    warmth = ", and what the temperature adds" if kelvin else ""
    about = f"±{plain(row.counts)} x {plain(row.resolution)} {one.shown.unit}{warmth}"
    offsets = [
        rectangular("counts, this touch", counts, about),
        rectangular("counts, other touch", counts * (1 + share), about),
    ]
    rest = [each for each in parts if not each.name.startswith(("accuracy", "temperature"))]
    gone = Component("gain, common to both touches", combined(shared), Shape.RECTANGULAR, "cancels in the difference")
    return replace(one, components=(*left, *offsets, *rest, *scatter), compared=True, cancelled=gone)


def _what_is_left(of_one: Component, one: Shown, other: Shown, share: Decimal) -> Component:
    """What two fully correlated errors leave of each other; `of_one` is that of a reading of 1."""
    variance = of_one.standard_uncertainty**2
    covariances = ((variance, variance), (variance, variance))
    left = max(propagated((one.value, -factor * other.value), covariances) for factor in (1 - share, 1 + share))
    about = f"of the difference, {plain(abs(one.value - other.value))} {one.unit}"
    return Component(f"{of_one.name}, what is left", left, Shape.RECTANGULAR, about)


def _share_a_gain(one: Budget, other: Budget) -> bool:
    """Tell whether two touches were taken with the same meter on the same range, minutes apart."""
    apart = abs(one.shown.at.monotonic_ns - other.shown.at.monotonic_ns)
    same_meter = (one.meter, one.sheet, one.celsius) == (other.meter, other.sheet, other.celsius)
    same_range = one.range is not None and one.range == other.range and one.shown.function is other.shown.function
    return same_meter and same_range and apart <= SHARED_FOR_NS


def _scatter_of_both(*touches: Sequence[Component]) -> list[Component]:
    """Combine the scatter of two touches, by Welch and Satterthwaite where it is that of few readings."""
    parts = [each for components in touches for each in components if each.name == "scatter"]
    if not parts:
        return []
    dof = whole_dof(effective_dof(parts))
    shape = Shape.NORMAL if dof is None else Shape.STUDENT
    return [Component("scatter of both", combined(parts), shape, "of this touch and the other", dof)]


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


def _named(components: Sequence[Component], touch: str) -> list[Component]:
    """A touch's lines but for the scatter, with the touch in their names."""
    return [replace(each, name=f"{each.name}, {touch}") for each in components if each.name != "scatter"]


def _percent(share: Decimal) -> str:
    return f"{(share * 100).normalize():f} %"
