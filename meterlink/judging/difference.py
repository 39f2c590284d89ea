"""The uncertainty budget of the difference between two touches.

Two touches with the same meter on the same range, minutes apart, share the error that goes with the reading: in their
difference it cancels but for the little by which the readings differ. Counts, resolution and scatter do not cancel.
"""

from collections.abc import Sequence
from dataclasses import replace
from decimal import Decimal

from meterlink.judging.budget import Budget, Shown
from meterlink.judging.uncertainty import Component, Shape, combined, effective_dof, propagated, rectangular, whole_dof
from meterlink.judging.words import shortest
from meterlink.reading import NS_PER_S, plain

SHARED_FOR_NS = 3600 * NS_PER_S
"""How far apart two touches may lie and still share the meter's gain error (common practice, no source)."""


def difference(one: Budget, other: Budget, factor: Decimal = Decimal(1)) -> Budget:
    """Work out the budget of `one` less `factor` times `other`, both in the same unit.

    With the same meter on the same range, at most an hour apart, what goes with the reading (gain, and what the
    temperature adds to it) is fully correlated, and only its part of the difference is left (GUM 5.2.2). Otherwise
    nothing cancels.

    Args:
        one: of this touch.
        other: of the touch that it is compared with.
        factor: how many times the other reading this one is compared with: 0.9 for 10 % below it.
    """
    other_parts = [replace(each, standard_uncertainty=each.standard_uncertainty * factor) for each in other.components]
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
            left.append(_what_is_left(of_one, one.shown, other.shown, factor))
            shared.append(replace(of_one, standard_uncertainty=of_one.standard_uncertainty * abs(one.shown.value)))
    counts = row.count_limit + row.temperature_limit(Decimal(0), kelvin)
    warmth = ", and what the temperature adds" if kelvin else ""
    about = f"±{plain(row.counts)} x {plain(row.resolution)} {one.shown.unit}{warmth}"
    offsets = [
        rectangular("counts, this touch", counts, about),
        rectangular("counts, other touch", counts * factor, about),
    ]
    rest = [each for each in parts if not each.name.startswith(("accuracy", "temperature"))]
    gone = Component("gain, common to both touches", combined(shared), Shape.RECTANGULAR, "cancels in the difference")
    return replace(one, components=(*left, *offsets, *rest, *scatter), compared=True, cancelled=gone)


def _what_is_left(of_one: Component, one: Shown, other: Shown, factor: Decimal) -> Component:
    """What two fully correlated errors leave of each other; `of_one` is that of a reading of 1."""
    variance = of_one.standard_uncertainty**2
    left = propagated((one.value, -factor * other.value), ((variance, variance), (variance, variance)))
    about = f"of the difference, {shortest(abs(one.value - factor * other.value))} {one.unit}"
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


def _named(components: Sequence[Component], touch: str) -> list[Component]:
    """A touch's lines but for the scatter, with the touch in their names."""
    return [replace(each, name=f"{each.name}, {touch}") for each in components if each.name != "scatter"]
