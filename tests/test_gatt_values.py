"""Values of Bluetooth characteristics: voltage, current, temperature, battery level.

Vectors: tests/data/frames.json, each with its source (Bluetooth SIG GATT Specification Supplement).
"""

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

import format_laws as laws
from format_laws import Cut
from frames import Vector, vectors
from meterlink.driver import Format, GattPlace, Notice
from meterlink.errors import UsageError
from meterlink.reading import Function, Instant, Reading, State
from meterlink_drivers.formats import (
    gatt_battery_2a19,
    gatt_current_2aee,
    gatt_temperature_2a6e,
    gatt_voltage_2b18,
)

VOLTAGE = gatt_voltage_2b18.FORMAT
CURRENT = gatt_current_2aee.FORMAT
TEMPERATURE = gatt_temperature_2a6e.FORMAT
BATTERY = gatt_battery_2a19.FORMAT
CASES = [
    pytest.param(wire, vector, id=f"{wire.name} {vector.shown}")
    for wire in (VOLTAGE, CURRENT, TEMPERATURE, BATTERY)
    for vector in vectors(wire.name)
]


def raw(value: int) -> bytes:
    return (value & 0xFFFF).to_bytes(2, "little")


def at(ms: int) -> Instant:
    return Instant(ms * 1_000_000, 0)


@pytest.mark.parametrize(("wire", "vector"), CASES)
def test_each_vector_decodes_to_what_the_display_shows(wire: Format, vector: Vector) -> None:
    laws.the_vector_decodes(wire, vector)
    laws.an_item_comes_with_the_last_byte(wire, vector.data)
    laws.it_never_asks(wire)


@given(laws.cuts([vector.data for vector in vectors("gatt-voltage-2b18")]))
def test_any_split_gives_the_same_readings(cut: Cut) -> None:
    laws.splits_change_nothing(VOLTAGE, cut)


@given(st.binary(max_size=51), st.sampled_from([VOLTAGE, CURRENT, TEMPERATURE, BATTERY]))
def test_every_byte_is_skipped_decoded_or_held(noise: bytes, wire: Format) -> None:
    laws.every_byte_is_accounted_for(wire, noise, 1)


@given(st.integers(0, 0xFFFF))
def test_each_voltage_is_its_raw_value_over_64_exactly(value: int) -> None:
    # GATT Specification Supplement, Voltage: M = 1, d = 0, b = -6; 0 to 1022.0, the ends or beyond; FFFF not known.
    readings = laws.readings(VOLTAGE, raw(value))
    if value == 0xFFFF:
        assert [reading.state for reading in readings] == [State.BLANK]
    elif value > 1022 * 64:
        assert readings == []
    elif value == 1022 * 64:
        assert [reading.display for reading in readings] == ["OL"]
    else:
        assert [reading.value for reading in readings] == [Decimal(value) / 64]
        assert [reading.resolution for reading in readings] == [Decimal("0.015625")]


@pytest.mark.parametrize(("value", "display"), [(0, "0"), (64, "1"), (640, "10"), (1, "0.015625"), (6400, "100")])
def test_a_voltage_shows_no_zeros_that_the_wire_cannot_carry(value: int, display: str) -> None:
    assert [reading.display for reading in laws.readings(VOLTAGE, raw(value))] == [display]


@given(st.integers(0, 0xFFFE))
def test_each_current_is_in_hundredths_of_an_ampere(value: int) -> None:
    # GATT Specification Supplement, Electric Current: d = -2, 0 to 655.34.
    (reading,) = laws.readings(CURRENT, raw(value))
    assert (reading.value, reading.resolution) == (Decimal(value) / 100, Decimal("0.01"))


@given(st.integers(-0x8000, 0x7FFF))
def test_each_temperature_is_in_hundredths_of_a_degree(value: int) -> None:
    # GATT Specification Supplement, Temperature (from memory): -273.15 to 327.67, 8000 not known.
    readings = laws.readings(TEMPERATURE, raw(value))
    if value == -0x8000:
        assert [reading.state for reading in readings] == [State.BLANK]
    else:
        expected = [Decimal(value) / 100] if value >= -27315 else []
        assert [reading.value for reading in readings] == expected


@pytest.mark.parametrize("level", range(256))
def test_a_battery_level_is_a_notice_up_to_100(level: int) -> None:
    items = laws.decode(BATTERY, bytes([level]))
    if level > 100:
        assert items == []
    else:
        (notice,) = items
        assert isinstance(notice, Notice)
        assert (notice.kind, notice.display, notice.unit) == ("battery", str(level), "%")


@pytest.mark.parametrize(
    ("wire", "options", "function"),
    [
        (VOLTAGE, {}, Function.VOLTAGE),
        (VOLTAGE, {"coupling": "dc"}, Function.DC_VOLTAGE),
        (VOLTAGE, {"coupling": "ac"}, Function.AC_VOLTAGE),
        (CURRENT, {}, Function.CURRENT),
        (CURRENT, {"coupling": "dc"}, Function.DC_CURRENT),
        (CURRENT, {"coupling": "ac"}, Function.AC_CURRENT),
    ],
)
def test_ac_or_dc_is_what_the_user_says_and_else_unknown(
    wire: Format, options: dict[str, str], function: Function
) -> None:
    (reading,) = laws.readings(wire, raw(1000), options)
    assert reading.function is function
    assert reading.function.judged == bool(options)


def test_a_wrong_coupling_is_refused() -> None:
    with pytest.raises(UsageError, match="expected dc or ac"):
        VOLTAGE.decoder({"coupling": "DC"})


@given(st.integers(0, 0xFFFF), st.integers(51, 10_000))
def test_a_lost_byte_does_not_shift_what_follows(value: int, later_ms: int) -> None:
    decoder = CURRENT.decoder({})
    assert list(decoder.feed(raw(value)[1:], at(0))) == []
    (reading,) = decoder.feed(raw(325), at(later_ms))
    assert isinstance(reading, Reading)
    assert (reading.display, decoder.skipped) == ("3.25", 1)


def test_a_value_cut_over_two_notifications_that_come_together_is_one() -> None:
    decoder = CURRENT.decoder({})
    assert list(decoder.feed(raw(325)[:1], at(0))) == []
    assert list(decoder.feed(b"", at(20))) == []
    (reading,) = decoder.feed(raw(325)[1:], at(50))
    assert isinstance(reading, Reading)
    assert (reading.display, decoder.skipped) == ("3.25", 0)


@pytest.mark.parametrize(
    ("wire", "place"),
    [
        # Bluetooth SIG assigned numbers; 0x181A is Environmental Sensing, 0x180F is Battery. Which service offers
        # voltage and current is nowhere laid down.
        (VOLTAGE, GattPlace("0000181a-0000-1000-8000-00805f9b34fb", "00002b18-0000-1000-8000-00805f9b34fb")),
        (CURRENT, GattPlace("0000181a-0000-1000-8000-00805f9b34fb", "00002aee-0000-1000-8000-00805f9b34fb")),
        (TEMPERATURE, GattPlace("0000181a-0000-1000-8000-00805f9b34fb", "00002a6e-0000-1000-8000-00805f9b34fb")),
        (BATTERY, GattPlace("0000180f-0000-1000-8000-00805f9b34fb", "00002a19-0000-1000-8000-00805f9b34fb")),
    ],
)
def test_where_it_is_found_over_bluetooth(wire: Format, place: GattPlace) -> None:
    assert wire.line.gatt == place
