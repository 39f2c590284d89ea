"""The 6-byte count record of Bluetooth LE meters.

Vectors: tests/data/frames.json; the three of 3.302, 2.496 and -2.496 V are published captures. Function, prefix and
symbol codes beyond those are from memory.
"""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from format_laws import (
    Cut,
    an_item_comes_with_the_last_byte,
    cuts,
    every_byte_is_accounted_for,
    it_never_asks,
    it_refuses,
    noise_costs_no_frame,
    readings,
    splits_change_nothing,
    the_vector_decodes,
)
from frames import NOW, Vector, vectors
from meterlink.driver import Confidence
from meterlink.reading import FAHRENHEIT, Flag, Function, Instant, State
from meterlink_drivers.formats.ble_count6 import FORMAT

VECTORS = vectors("ble-count6")
FRAMES = [vector.data for vector in VECTORS]
VOLTS = FRAMES[0]
"""3.302 V DC, auto range: a capture."""

NONE, MILLI, KILO, MEGA = 4, 3, 5, 6


def record(
    function: int, prefix: int, decimals: int, magnitude: int, *, symbols: int = 0, minus: bool = False
) -> bytes:
    head = 0xF000 | function << 6 | prefix << 3 | decimals
    return b"".join(word.to_bytes(2, "little") for word in (head, symbols, minus << 15 | magnitude))


def later(ms: int) -> Instant:
    return Instant(NOW.monotonic_ns + ms * 1_000_000, NOW.utc_ns + ms * 1_000_000)


@pytest.mark.parametrize("vector", VECTORS, ids=lambda vector: vector.shown)
def test_each_vector_decodes_to_what_the_display_shows(vector: Vector) -> None:
    the_vector_decodes(FORMAT, vector)
    an_item_comes_with_the_last_byte(FORMAT, vector.data)


@given(cuts(FRAMES))
def test_any_split_gives_the_same_readings(cut: Cut) -> None:
    splits_change_nothing(FORMAT, cut)


def test_two_records_in_one_notification_are_two_readings() -> None:
    assert [reading.display for reading in readings(FORMAT, FRAMES[1] + FRAMES[2])] == ["2.496", "-2.496"]


NOISE = st.lists(st.integers(0x00, 0xEF), max_size=20).map(lambda noise: bytes([*noise, 0]))
"""Bytes that neither hold a record nor begin one: the last is no first byte of a record."""


@given(st.lists(st.tuples(NOISE, st.sampled_from(FRAMES)), max_size=5), NOISE)
def test_garbage_before_between_and_after_costs_no_record(parts: list[tuple[bytes, bytes]], tail: bytes) -> None:
    noise_costs_no_frame(FORMAT, parts, tail)


@given(st.sampled_from(FRAMES), st.integers(1, 5), NOISE, st.sampled_from(FRAMES))
def test_garbage_inside_a_record_never_makes_a_reading(frame: bytes, cut: int, noise: bytes, good: bytes) -> None:
    stream = frame[:cut] + noise + frame[cut:]
    decoder = FORMAT.decoder({})
    assert all(item.raw in stream for item in decoder.feed(stream, NOW))
    assert [item.raw for item in decoder.feed(good, later(100))] == [good]


@given(st.sampled_from(FRAMES), st.integers(1, 5), st.integers(51, 5_000), st.sampled_from(FRAMES))
def test_what_was_begun_is_thrown_away_when_more_comes_too_late(frame: bytes, cut: int, ms: int, good: bytes) -> None:
    decoder = FORMAT.decoder({})
    assert list(decoder.feed(frame[:cut], NOW)) == []
    assert list(decoder.feed(b"", later(ms - 1))) == []  # nothing is no news
    assert [item.raw for item in decoder.feed(good, later(ms))] == [good]
    assert decoder.skipped == cut


@given(st.sampled_from(FRAMES), st.integers(1, 5), st.integers(0, 50))
def test_the_rest_of_a_record_may_come_a_little_later(frame: bytes, cut: int, ms: int) -> None:
    decoder = FORMAT.decoder({})
    assert list(decoder.feed(frame[:cut], NOW)) == []
    (item,) = decoder.feed(frame[cut:], later(ms))
    assert (item.raw, item.at) == (frame, later(ms))


@given(st.binary(max_size=300))
def test_every_byte_of_noise_is_skipped_decoded_or_held(noise: bytes) -> None:
    every_byte_is_accounted_for(FORMAT, noise, 5)


@given(st.binary(max_size=5))
def test_five_bytes_are_no_record(data: bytes) -> None:
    assert readings(FORMAT, data) == []


@pytest.mark.parametrize(
    "frame",
    [
        pytest.param(bytes.fromhex("23 E0 04 00 E6 0C"), id="bits 15-12 not F"),
        pytest.param(bytes.fromhex("23 F4 04 00 E6 0C"), id="bits 11-10 not 0"),
        pytest.param(bytes.fromhex("23 F0 44 00 E6 0C"), id="a symbol without a name"),
        pytest.param(bytes.fromhex("23 F0 04 01 E6 0C"), id="word 1 not 0 above"),
        pytest.param(record(14, NONE, 3, 3302), id="unknown function"),
        pytest.param(record(15, NONE, 3, 3302), id="unknown function 15"),
        pytest.param(record(0, 0, 3, 3302), id="prefix 0"),
        pytest.param(record(0, 7, 3, 3302), id="prefix 7"),
        pytest.param(record(0, NONE, 5, 3302), id="five decimals"),
        pytest.param(record(0, MEGA, 3, 3302), id="megavolts"),
        pytest.param(record(7, MILLI, 1, 500), id="milli percent"),
        pytest.param(record(8, KILO, 1, 230), id="kilo Celsius"),
        pytest.param(record(12, KILO, 0, 230), id="kilo gain"),
    ],
)
def test_what_no_meter_sends_is_refused(frame: bytes) -> None:
    it_refuses(FORMAT, frame, VOLTS)


@pytest.mark.parametrize(
    ("code", "prefix", "function", "unit", "scale"),
    [
        (0, NONE, Function.DC_VOLTAGE, "V", 0),
        (1, MILLI, Function.AC_VOLTAGE, "V", -3),
        (2, 2, Function.DC_CURRENT, "A", -6),
        (3, MILLI, Function.AC_CURRENT, "A", -3),
        (4, KILO, Function.RESISTANCE, "Ohm", 3),
        (5, 1, Function.CAPACITANCE, "F", -9),
        (6, MEGA, Function.FREQUENCY, "Hz", 6),
        (7, NONE, Function.DUTY, "%", 0),
        (8, NONE, Function.TEMPERATURE, "Cel", 0),
        (9, NONE, Function.TEMPERATURE, FAHRENHEIT, 0),
        (10, NONE, Function.DIODE, "V", 0),
        (11, NONE, Function.CONTINUITY, "Ohm", 0),
        (12, NONE, Function.OTHER, "", 0),
        (13, NONE, Function.OTHER, "", 0),
    ],
)
def test_each_function_has_its_code(code: int, prefix: int, function: Function, unit: str, scale: int) -> None:
    (reading,) = readings(FORMAT, record(code, prefix, 1, 1234))
    assert (reading.function, reading.unit, reading.scale, reading.display) == (function, unit, scale, "123.4")


@pytest.mark.parametrize(
    ("decimals", "magnitude", "minus", "display", "state"),
    [
        (0, 0, False, "0", State.VALUE),
        (0, 230, True, "-230", State.VALUE),
        (1, 5, False, "0.5", State.VALUE),
        (3, 100, False, "0.100", State.VALUE),
        (4, 5, False, "0.0005", State.VALUE),
        (4, 32767, True, "-3.2767", State.VALUE),
        (3, 0, True, "-0.000", State.VALUE),
        (7, 0, False, "OL", State.OVERLOAD),
        (7, 1234, True, "-OL", State.OVERLOAD),
        (6, 0, False, "", State.BLANK),
        (6, 1234, True, "", State.BLANK),
    ],
)
def test_decimals_place_the_point_or_say_that_there_is_no_number(
    decimals: int, magnitude: int, minus: bool, display: str, state: State
) -> None:
    (reading,) = readings(FORMAT, record(0, NONE, decimals, magnitude, minus=minus))
    assert (reading.display, reading.state) == (display, state)


@given(st.integers(0, 4), st.integers(0, 0x7FFF), st.booleans())
def test_the_value_is_the_magnitude_with_its_decimals(decimals: int, magnitude: int, minus: bool) -> None:
    (reading,) = readings(FORMAT, record(0, NONE, decimals, magnitude, minus=minus))
    assert reading.counts == (-magnitude if minus else magnitude)
    assert reading.exponent == -decimals


@pytest.mark.parametrize(
    ("bit", "flag"),
    [
        (0, Flag.HOLD),
        (1, Flag.RELATIVE),
        (2, Flag.AUTO_RANGE),
        (3, Flag.LOW_BATTERY),
        (4, Flag.MINIMUM),
        (5, Flag.MAXIMUM),
    ],
)
def test_each_flag_has_its_bit(bit: int, flag: Flag) -> None:
    (reading,) = readings(FORMAT, record(0, NONE, 2, 2406, symbols=1 << bit))
    assert reading.flags == {flag}


def test_it_never_asks_and_says_where_it_is_found() -> None:
    it_never_asks(FORMAT)
    assert FORMAT.confidence is Confidence.MEDIUM
    assert FORMAT.line.gatt is not None
    assert FORMAT.line.gatt.service == "0000fff0-0000-1000-8000-00805f9b34fb"
    assert FORMAT.line.gatt.notify == "0000fff4-0000-1000-8000-00805f9b34fb"
    assert FORMAT.line.gatt.write is None
