"""SFLOAT of IEEE 11073-20601. Vectors: tests/data/frames.json, each with its source (the SFLOAT-Type)."""

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

import format_laws as laws
from format_laws import Cut
from frames import Vector, vectors
from meterlink.errors import UsageError
from meterlink.reading import Function, State
from meterlink_drivers.formats.sfloat16 import FORMAT

VECTORS = vectors("sfloat16")


@pytest.mark.parametrize("vector", VECTORS, ids=lambda vector: vector.shown)
def test_each_vector_decodes_to_what_the_display_shows(vector: Vector) -> None:
    laws.the_vector_decodes(FORMAT, vector)
    laws.an_item_comes_with_the_last_byte(FORMAT, vector.data)


@given(laws.cuts([vector.data for vector in VECTORS]))
def test_any_split_gives_the_same_readings(cut: Cut) -> None:
    laws.splits_change_nothing(FORMAT, cut)


@given(st.integers(-8, 7), st.integers(-2045, 2045))
def test_each_number_is_mantissa_times_a_power_of_ten(exponent: int, mantissa: int) -> None:
    # IEEE 11073-20601: 4 bits exponent, 12 bits mantissa, both two's complement; -2045 to 2045 are no specials.
    data = ((exponent & 15) << 12 | mantissa & 0xFFF).to_bytes(2, "little")
    (reading,) = laws.readings(FORMAT, data)
    assert reading.value == Decimal(mantissa) * Decimal(10) ** exponent
    assert reading.resolution == Decimal(10) ** exponent
    assert (reading.function, reading.unit) == (Function.NUMBER, "")


@pytest.mark.parametrize("exponent", [*range(-8, 0), *range(1, 8)])
@pytest.mark.parametrize("mantissa", [0x7FE, 0x7FF, 0x800, 0x801, 0x802])
def test_a_special_mantissa_with_another_exponent_is_refused(exponent: int, mantissa: int) -> None:
    laws.it_refuses(FORMAT, ((exponent & 15) << 12 | mantissa).to_bytes(2, "little"), VECTORS[0].data)


def test_infinities_are_overload_with_their_sign() -> None:
    (over,) = laws.readings(FORMAT, bytes.fromhex("FE 07"))
    (under,) = laws.readings(FORMAT, bytes.fromhex("02 08"))
    assert (over.display, under.display) == ("OL", "-OL")
    assert over.state is under.state is State.OVERLOAD


@pytest.mark.parametrize(
    ("options", "function", "unit", "scale"),
    [
        ({"function": "dc-voltage"}, Function.DC_VOLTAGE, "V", 0),
        ({"function": "dc-voltage", "unit": "mV"}, Function.DC_VOLTAGE, "V", -3),
        ({"function": "resistance", "unit": "kΩ"}, Function.RESISTANCE, "Ohm", 3),
        ({"function": "temperature"}, Function.TEMPERATURE, "Cel", 0),
        ({"function": "temperature", "unit": "degF"}, Function.TEMPERATURE, "degF", 0),
        ({"function": "duty"}, Function.DUTY, "%", 0),
    ],
)
def test_options_say_what_the_number_is(options: dict[str, str], function: Function, unit: str, scale: int) -> None:
    (reading,) = laws.readings(FORMAT, bytes.fromhex("F3 F0"), options)
    assert (reading.function, reading.unit, reading.scale, reading.display) == (function, unit, scale, "24.3")


@pytest.mark.parametrize(
    "options",
    [
        {"function": "volts"},
        {"unit": "mV"},
        {"unit": "mv", "function": "dc-voltage"},
        {"unit": "A", "function": "dc-voltage"},
        {"unit": "degF", "function": "dc-voltage"},
        {"unit": "mV", "function": "other"},
    ],
)
def test_options_that_make_no_sense_are_refused(options: dict[str, str]) -> None:
    with pytest.raises(UsageError, match="expected"):
        FORMAT.decoder(options)


def test_it_never_asks() -> None:
    laws.it_never_asks(FORMAT)
