"""What the symbols on a multimeter's display mean together: function, unit and prefix. Shared by several formats."""

from collections.abc import Collection, Set
from typing import NamedTuple

from meterlink.reading import FAHRENHEIT, Function

_MEANINGS = {
    frozenset({"DC", "V"}): Function.DC_VOLTAGE,
    frozenset({"AC", "V"}): Function.AC_VOLTAGE,
    frozenset({"diode", "V"}): Function.DIODE,
    frozenset({"Ohm"}): Function.RESISTANCE,
    frozenset({"beeper", "Ohm"}): Function.CONTINUITY,
    frozenset({"DC", "A"}): Function.DC_CURRENT,
    frozenset({"AC", "A"}): Function.AC_CURRENT,
    frozenset({"F"}): Function.CAPACITANCE,
    frozenset({"Hz"}): Function.FREQUENCY,
    frozenset({"AC", "Hz"}): Function.FREQUENCY,  # a meter that counts on its AC range may keep AC lit (from memory)
    frozenset({"%"}): Function.DUTY,
    frozenset({"AC", "%"}): Function.DUTY,
    frozenset({"Cel"}): Function.TEMPERATURE,
    frozenset({FAHRENHEIT}): Function.TEMPERATURE,
    frozenset({"hFE"}): Function.OTHER,
}
"""Every set of symbols that makes sense; any other is a damaged frame or another chip's."""

_PREFIXES = {
    "V": {-3, 0},
    "A": {-6, -3, 0},
    "Ohm": {0, 3, 6},
    "Hz": {0, 3, 6},
    "F": {-9, -6, -3},
}
"""The prefixes that multimeters put before a unit: common practice, no source. Other units take none."""


class Quantity(NamedTuple):
    """What the number beside the symbols is."""

    function: Function
    unit: str
    scale: int


def quantity(symbols: Set[str], scales: Collection[int]) -> Quantity | None:
    """Put symbols together; None for what no meter shows.

    Args:
        symbols: those lit: `DC`, `AC`, `diode`, `beeper`, and the units `V`, `A`, `Ohm`, `Hz`, `F`, `%`, `Cel`, `degF`,
            `hFE`.
        scales: the powers of ten of the prefixes lit.
    """
    function = _MEANINGS.get(frozenset(symbols))
    if function is None or len(scales) > 1:
        return None
    unit = FAHRENHEIT if FAHRENHEIT in symbols else function.unit
    scale = sum(scales)
    return Quantity(function, unit, scale) if takes_prefix(unit, scale) else None


def takes_prefix(unit: str, scale: int) -> bool:
    """Whether a meter shows this unit with the prefix of this power of ten."""
    return scale in _PREFIXES.get(unit, {0})
