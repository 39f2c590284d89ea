"""What OL proves, by what is known of the range that it stands on. The ranges are common practice, no source."""

from decimal import Decimal

import pytest

from judging_samples import row
from meterlink.judging.overload import proved_by_overload
from meterlink.reading import Flag, Function, Instant, Reading

OHMS = tuple(row(full, step, "1", "3") for full, step in (("400", "0.1"), ("4000", "1"), ("4000000", "1000")))


def overload(scale: int, *flags: Flag, function: Function = Function.RESISTANCE) -> Reading:
    return Reading("OL", function.unit, function, Instant(0, 0), scale, frozenset(flags))


@pytest.mark.parametrize(
    ("scale", "flags", "known", "unknown"),
    [
        (6, (Flag.AUTO_RANGE,), 4_000_000, 1_000_000),  # it stands on the highest
        (0, (Flag.AUTO_RANGE,), 4_000_000, 1_000_000),
        (6, (), 4_000_000, 1_000_000),
        (3, (), 4000, 1000),
        (0, (), 400, 50),
    ],
)
def test_overload_proves_the_end_of_its_range(scale: int, flags: tuple[Flag, ...], known: int, unknown: int) -> None:
    assert proved_by_overload(overload(scale, *flags), OHMS) == known
    assert proved_by_overload(overload(scale, *flags), ()) == unknown


def test_of_other_functions_of_an_unknown_meter_only_the_prefix_is_known() -> None:
    assert proved_by_overload(overload(0, Flag.AUTO_RANGE, function=Function.DC_VOLTAGE), ()) is None
    assert proved_by_overload(overload(-3, function=Function.DC_VOLTAGE), ()) == Decimal("0.001")
    assert proved_by_overload(overload(0, Flag.AUTO_RANGE, function=Function.CONTINUITY), ()) == 50
