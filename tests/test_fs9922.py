"""The 14-byte frame of the FS9922-DMM3 and FS9922-DMM4.

Vectors: tests/data/frames.json, constructed from the table of bytes, which is from memory beyond the part numbers of
FS9922_DMM3-DS-11_EN and FS9922_DMM4-DS-15_EN. What a decoder must refuse follows from the same table.
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
    only_whole_stretches_decode,
    readings,
    splits_change_nothing,
    the_next_good_frame_decodes,
    the_vector_decodes,
)
from frames import Vector, vectors
from meterlink.driver import Confidence
from meterlink.reading import FAHRENHEIT, Flag, Function, State
from meterlink_drivers.formats.fs9922_ascii14 import FORMAT

VECTORS = vectors("fs9922-ascii14")
FRAMES = [vector.data for vector in VECTORS]
VOLTS = FRAMES[0]
"""24.06 V DC, auto range."""


def changed(*places: tuple[int, int], frame: bytes = VOLTS) -> bytes:
    """Return the frame with other bytes; a place is its number from 0 and the byte."""
    turned = bytearray(frame)
    for place, byte in places:
        turned[place] = byte
    return bytes(turned)


def digits(text: bytes, point: bytes = b"2", sign: bytes = b"+") -> bytes:
    return sign + text + b" " + point + VOLTS[7:]


@pytest.mark.parametrize("vector", VECTORS, ids=lambda vector: vector.shown)
def test_each_vector_decodes_to_what_the_display_shows(vector: Vector) -> None:
    the_vector_decodes(FORMAT, vector)
    an_item_comes_with_the_last_byte(FORMAT, vector.data)


@given(cuts(FRAMES))
def test_any_split_gives_the_same_readings(cut: Cut) -> None:
    splits_change_nothing(FORMAT, cut)


NOISE = st.binary(max_size=20).filter(lambda noise: b"+" not in noise and b"-" not in noise)
"""Bytes that cannot begin a frame."""


@given(st.lists(st.tuples(NOISE, st.sampled_from(FRAMES)), max_size=5), NOISE)
def test_garbage_before_between_and_after_costs_no_frame(parts: list[tuple[bytes, bytes]], tail: bytes) -> None:
    noise_costs_no_frame(FORMAT, parts, tail)


@given(st.sampled_from(FRAMES), st.integers(1, 13), st.binary(min_size=1, max_size=20), st.sampled_from(FRAMES))
def test_garbage_inside_a_frame_never_makes_a_reading(frame: bytes, cut: int, noise: bytes, good: bytes) -> None:
    only_whole_stretches_decode(FORMAT, frame[:cut] + noise + frame[cut:], good)


@given(st.sampled_from(FRAMES), st.integers(0, 13), st.sampled_from(FRAMES))
def test_a_lost_byte_costs_its_frame_and_no_other(frame: bytes, place: int, good: bytes) -> None:
    the_next_good_frame_decodes(FORMAT, frame[:place] + frame[place + 1 :], good)


@given(st.sampled_from(FRAMES), st.integers(0, 13), st.sampled_from(FRAMES))
def test_a_doubled_byte_never_makes_another_number(frame: bytes, place: int, good: bytes) -> None:
    stream = frame[: place + 1] + frame[place:]
    assert {reading.raw for reading in readings(FORMAT, stream)} <= {frame}
    only_whole_stretches_decode(FORMAT, stream, good)


@given(st.sampled_from(FRAMES), st.integers(1, 13), st.sampled_from(FRAMES))
def test_a_good_frame_that_begins_inside_a_broken_one_is_found(frame: bytes, cut: int, good: bytes) -> None:
    assert [reading.raw for reading in readings(FORMAT, frame[:cut] + good)] == [good]


@given(st.binary(max_size=300))
def test_every_byte_of_noise_is_skipped_decoded_or_held(noise: bytes) -> None:
    every_byte_is_accounted_for(FORMAT, noise, 13)


@pytest.mark.parametrize("imitation", [b"\r\n", b"\n+", b"+0", b"-\r"])
@pytest.mark.parametrize("place", [8, 10])
def test_binary_bytes_that_look_like_an_end_or_a_sign_split_nothing(imitation: bytes, place: int) -> None:
    looks = VOLTS[:place] + imitation + VOLTS[place + 2 :]
    stream = looks + VOLTS
    assert [reading.raw for reading in readings(FORMAT, stream)][-1] == VOLTS
    assert all(reading.raw in (looks, VOLTS) for reading in readings(FORMAT, stream))


def test_a_bar_and_symbols_of_cr_and_lf_decode() -> None:
    # Kilohm and beeper are bits 5 and 3 of the third byte of symbols, nano is bit 1 of the second, the bar is free.
    bar = changed((11, 0x0D))
    assert [reading.display for reading in readings(FORMAT, bar + VOLTS)] == ["24.06", "24.06"]
    percent_and_beeper = changed((9, 0x0A))  # LF as symbols: makes no sense, and does not split either
    assert [reading.raw for reading in readings(FORMAT, percent_and_beeper + VOLTS)] == [VOLTS]


@pytest.mark.parametrize(
    "frame",
    [
        pytest.param(VOLTS[:13] + b"\x0d", id="no LF"),
        pytest.param(changed((10, 0xC0)), id="volts and amperes"),
        pytest.param(changed((10, 0x88)), id="volts and hertz"),
        pytest.param(changed((10, 0x00)), id="no unit"),
        pytest.param(changed((7, 0x39)), id="AC and DC"),
        pytest.param(changed((7, 0x21)), id="volts with neither AC nor DC"),
        pytest.param(changed((7, 0x71)), id="a bit without a name"),
        pytest.param(changed((9, 0xC0)), id="two prefixes"),
        pytest.param(changed((9, 0x10)), id="megavolts"),
        pytest.param(changed((7, 0x21), (9, 0x42), (10, 0x00)), id="milli percent"),
        pytest.param(changed((9, 0x02)), id="volts and percent"),
        pytest.param(changed((9, 0x04)), id="diode and DC"),
        pytest.param(changed((9, 0x08)), id="beeper and volts"),
        pytest.param(changed((5, 0x30)), id="no space"),
        pytest.param(changed((6, 0x35)), id="unknown point"),
        pytest.param(changed((0, 0x20)), id="no sign"),
        pytest.param(changed((2, 0xFF)), id="damaged digit"),
        pytest.param(changed((2, 0x3B)), id="unknown digit"),
        pytest.param(digits(b"2?06"), id="blank inside"),
        pytest.param(digits(b"??06", b"1"), id="blank behind the point"),
        pytest.param(digits(b"1:00"), id="L beside a digit"),
        pytest.param(digits(b"0::0"), id="two L"),
    ],
)
def test_what_no_meter_sends_is_refused(frame: bytes) -> None:
    it_refuses(FORMAT, frame, VOLTS)


@pytest.mark.parametrize(
    ("frame", "display", "state"),
    [
        (digits(b"0000", b"0"), "0000", State.VALUE),
        (digits(b"1234", b"0", b"-"), "-1234", State.VALUE),
        (digits(b"1234", b"1"), "1.234", State.VALUE),
        (digits(b"1234", b"2"), "12.34", State.VALUE),
        (digits(b"1234", b"3"), "123.4", State.VALUE),
        (digits(b"1234", b"4"), "123.4", State.VALUE),
        (digits(b"?123", b"2"), "1.23", State.VALUE),
        (digits(b"?0:?", b"2"), "OL", State.OVERLOAD),
        (digits(b"?0:?", b"2", b"-"), "-OL", State.OVERLOAD),
        (digits(b"????", b"0"), "", State.BLANK),
    ],
)
def test_what_a_display_can_show(frame: bytes, display: str, state: State) -> None:
    (reading,) = readings(FORMAT, frame)
    assert (reading.display, reading.state) == (display, state)


@pytest.mark.parametrize(
    ("symbols", "function", "unit", "scale"),
    [
        ("10 00 00 80", Function.DC_VOLTAGE, "V", 0),
        ("08 00 40 80", Function.AC_VOLTAGE, "V", -3),
        ("10 00 80 40", Function.DC_CURRENT, "A", -6),
        ("08 00 40 40", Function.AC_CURRENT, "A", -3),
        ("00 00 00 20", Function.RESISTANCE, "Ohm", 0),
        ("00 00 20 20", Function.RESISTANCE, "Ohm", 3),
        ("00 00 08 20", Function.CONTINUITY, "Ohm", 0),
        ("00 00 04 80", Function.DIODE, "V", 0),
        ("00 00 10 08", Function.FREQUENCY, "Hz", 6),
        ("00 02 00 04", Function.CAPACITANCE, "F", -9),
        ("00 00 02 00", Function.DUTY, "%", 0),
        ("00 00 00 02", Function.TEMPERATURE, "Cel", 0),
        ("00 00 00 01", Function.TEMPERATURE, FAHRENHEIT, 0),
        ("00 00 00 10", Function.OTHER, "", 0),
    ],
)
def test_symbols_name_the_function(symbols: str, function: Function, unit: str, scale: int) -> None:
    (reading,) = readings(FORMAT, VOLTS[:7] + bytes.fromhex(symbols) + VOLTS[11:])
    assert (reading.function, reading.unit, reading.scale) == (function, unit, scale)


@pytest.mark.parametrize(
    ("place", "bit", "flag"),
    [
        (7, 5, Flag.AUTO_RANGE),
        (7, 2, Flag.RELATIVE),
        (7, 1, Flag.HOLD),
        (8, 5, Flag.MAXIMUM),
        (8, 4, Flag.MINIMUM),
        (8, 2, Flag.LOW_BATTERY),
    ],
)
def test_each_flag_has_its_bit(place: int, bit: int, flag: Flag) -> None:
    manual = changed((7, 0x10))
    (reading,) = readings(FORMAT, changed((place, manual[place] | 1 << bit), frame=manual))
    assert reading.flags == {flag}


@given(st.integers(0, 255), st.sampled_from([0x00, 0x01, 0x08, 0x40, 0x80, 0xC9]), st.integers(0, 1))
def test_the_bar_the_maker_s_bits_and_auto_power_off_change_nothing(bar: int, free: int, z4: int) -> None:
    (reading,) = readings(FORMAT, changed((8, free), (9, z4), (11, bar)))
    assert (reading.display, reading.function) == ("24.06", Function.DC_VOLTAGE)
    assert reading.flags == {Flag.AUTO_RANGE}


def test_it_never_asks_and_says_how_sure_it_is() -> None:
    it_never_asks(FORMAT)
    assert FORMAT.confidence is Confidence.MEDIUM
    assert FORMAT.line.gatt is not None
    assert FORMAT.line.gatt.notify.startswith("0000fff4-")
