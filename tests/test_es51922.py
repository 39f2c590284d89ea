"""The 14-byte frame of the ES51922.

Vectors: tests/data/frames.json, some of them published captures. The tables are those of the ES51922 data sheet's
section on serial data, as public transcriptions give them; where the data sheet is silent it is said beside the row.
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
from frames import NOW, Vector, vectors
from meterlink.driver import Confidence
from meterlink.errors import UsageError
from meterlink.reading import Flag, Function, Instant, Reading, State
from meterlink.seven_bit import DAMAGED, SevenBits
from meterlink_drivers.formats.es51922_ascii14 import FORMAT

VECTORS = vectors("es51922-ascii14")
FRAMES = [vector.data for vector in VECTORS]
VOLTS = FRAMES[0]
"""07.393 V DC, auto range: a capture."""


def frame(text: str) -> bytes:
    return text.encode("ascii") + b"\r\n"


@pytest.mark.parametrize("vector", VECTORS, ids=lambda vector: vector.shown)
def test_each_vector_decodes_to_what_the_display_shows(vector: Vector) -> None:
    the_vector_decodes(FORMAT, vector)
    an_item_comes_with_the_last_byte(FORMAT, vector.data)


@given(cuts(FRAMES))
def test_any_split_gives_the_same_readings(cut: Cut) -> None:
    splits_change_nothing(FORMAT, cut)


@given(st.sampled_from(FRAMES), st.integers(1, 13), st.integers(101, 5000))
def test_the_halves_of_two_blocks_make_no_reading_across_a_silence(whole: bytes, cut: int, ms: int) -> None:
    decoder = FORMAT.decoder({})
    late = Instant(ms * 1_000_000, 0)
    assert decoder.feed(whole[:cut], Instant(0, 0)) == []
    assert [item.raw for item in decoder.feed(whole[cut:] + VOLTS, late)] == [VOLTS]
    assert decoder.skipped == len(whole)


def test_a_meaning_of_judge_that_is_not_there_is_refused() -> None:
    with pytest.raises(UsageError, match="judge 'other': expected one of frequency, duty"):
        FORMAT.decoder({"judge": "other"})


NOISE = st.binary(max_size=20).filter(lambda noise: not noise or noise[-1] >> 4 != 3)
"""Bytes whose end cannot be taken for more characters of the frame that follows."""


@given(st.lists(st.tuples(NOISE, st.sampled_from(FRAMES)), max_size=5), NOISE)
def test_garbage_before_between_and_after_costs_no_frame(parts: list[tuple[bytes, bytes]], tail: bytes) -> None:
    noise_costs_no_frame(FORMAT, parts, tail)


@given(st.sampled_from(FRAMES), st.integers(1, 13), st.binary(min_size=1, max_size=20), st.sampled_from(FRAMES))
def test_garbage_inside_a_frame_never_makes_a_reading(whole: bytes, cut: int, noise: bytes, good: bytes) -> None:
    only_whole_stretches_decode(FORMAT, whole[:cut] + noise + whole[cut:], good)


@given(st.sampled_from(FRAMES), st.integers(0, 12), st.sampled_from(FRAMES))
def test_a_lost_byte_costs_its_frame_and_no_other(whole: bytes, place: int, good: bytes) -> None:
    the_next_good_frame_decodes(FORMAT, whole[:place] + whole[place + 1 :], good)


@given(st.sampled_from(FRAMES), st.integers(0, 11), st.integers(0x30, 0x3F), st.sampled_from(FRAMES))
def test_a_character_too_many_costs_its_frame_and_no_other(whole: bytes, place: int, extra: int, good: bytes) -> None:
    the_next_good_frame_decodes(FORMAT, whole[:place] + bytes([extra]) + whole[place:], good)


@given(st.sampled_from(FRAMES), st.integers(0, 13), st.sampled_from(FRAMES))
def test_a_damaged_character_costs_its_frame_and_no_other(whole: bytes, place: int, good: bytes) -> None:
    the_next_good_frame_decodes(FORMAT, whole[:place] + bytes([DAMAGED]) + whole[place + 1 :], good)


@given(st.sampled_from(FRAMES), st.integers(1, 13))
def test_the_tail_of_a_frame_is_no_reading(whole: bytes, cut: int) -> None:
    the_next_good_frame_decodes(FORMAT, whole[cut:], whole)


def test_a_frame_without_lf_gives_way_to_the_next() -> None:
    assert [reading.raw for reading in readings(FORMAT, VOLTS[:-1] + VOLTS)] == [VOLTS]


@given(st.binary(max_size=300))
def test_every_byte_of_noise_is_skipped_decoded_or_held(noise: bytes) -> None:
    every_byte_is_accounted_for(FORMAT, noise, 13)


def test_a_long_run_of_characters_is_thrown_away_and_not_held() -> None:
    every_byte_is_accounted_for(FORMAT, b"0" * 500, 0)


def test_the_first_vector_decodes_as_a_port_set_to_eight_bits_sees_it() -> None:
    # Odd parity in bit 7: 31 B0 37 B3 B9 B3 3B B0 B0 B0 BA B0 0D 8A, worked out by counting ones.
    seen = bytes.fromhex("31 B0 37 B3 B9 B3 3B B0 B0 B0 BA B0 0D 8A")
    assert [reading.display for reading in readings(FORMAT, SevenBits("O").feed(seen * 2))][-1:] == ["07.393"]


ROWS = [
    # function, range, display of 12345 (or 01234), power of ten of the prefix: ES51922 data sheet, range tables
    (";", "0", "1.2345", 0), (";", "1", "12.345", 0), (";", "2", "123.45", 0), (";", "3", "1234.5", 0),
    (";", "4", "123.45", -3),
    ("3", "0", "123.45", 0), ("3", "1", "1.2345", 3), ("3", "2", "12.345", 3), ("3", "3", "123.45", 3),
    ("3", "4", "1.2345", 6), ("3", "5", "12.345", 6), ("3", "6", "123.45", 6),
    ("2", "0", "123.45", 0), ("2", "1", "1234.5", 0), ("2", "3", "12.345", 3), ("2", "4", "123.45", 3),
    ("2", "5", "1.2345", 6), ("2", "6", "12.345", 6), ("2", "7", "123.45", 6),
    ("6", "0", "12.345", -9), ("6", "1", "123.45", -9), ("6", "2", "1.2345", -6), ("6", "3", "12.345", -6),
    ("6", "4", "123.45", -6), ("6", "5", "1.2345", -3), ("6", "6", "12.345", -3), ("6", "7", "123.45", -3),
    ("=", "0", "123.45", -6), ("=", "1", "1234.5", -6),  # data sheet: lower and higher; the scale from public decoders
    ("?", "0", "12.345", -3), ("?", "1", "123.45", -3),  # likewise
    ("0", "0", "12.345", 0),
    ("9", "0", "1.2345", 0), ("9", "1", "12.345", 0), ("9", "2", "123.45", 0), ("9", "3", "1234.5", 0),
    ("9", "4", "12345", 0),
    ("5", "0", "123.45", 0),
    ("1", "0", "1.2345", 0),
]  # fmt: skip
FUNCTIONS = {
    ";": Function.DC_VOLTAGE, "3": Function.RESISTANCE, "2": Function.FREQUENCY, "6": Function.CAPACITANCE,
    "=": Function.DC_CURRENT, "?": Function.DC_CURRENT, "0": Function.DC_CURRENT, "9": Function.DC_CURRENT,
    "5": Function.CONTINUITY, "1": Function.DIODE,
}  # fmt: skip


@pytest.mark.parametrize(("function", "range_", "display", "power"), ROWS)
def test_range_and_function_place_the_point(function: str, range_: str, display: str, power: int) -> None:
    judge = 8 if function == "2" else 0  # hertz
    (reading,) = readings(FORMAT, frame(f"{range_}12345{function}{judge}0080"))
    expected = FUNCTIONS[function]
    assert (reading.display, reading.scale, reading.function) == (display, power, expected)
    assert reading.unit == expected.unit
    (overload,) = readings(FORMAT, frame(f"{range_}22000{function}{judge + 1:X}0080"))
    assert (overload.display, overload.scale, overload.function) == ("OL", power, expected)


@given(st.sampled_from("0123456789:;<=>?"), st.sampled_from("0123456789:;<=>?"))
def test_a_range_that_is_not_in_the_table_is_refused(function: str, range_: str) -> None:
    if (function, range_) not in {(row[0], row[1]) for row in ROWS}:
        judge = 8 if function == "2" else 0
        assert readings(FORMAT, frame(f"{range_}12345{function}{judge}0080")) == []


def test_ac_lights_ac() -> None:
    (volts,) = readings(FORMAT, frame("212345;00040"))
    (amperes,) = readings(FORMAT, frame("012345000040"))
    assert (volts.function, amperes.function) == (Function.AC_VOLTAGE, Function.AC_CURRENT)


@pytest.mark.parametrize(("judge", "hertz", "duty"), [("frequency", "8", "0"), ("duty", "0", "8")])
def test_judge_tells_hertz_from_duty(judge: str, hertz: str, duty: str) -> None:
    # Set is hertz: from memory. The other way round: two public decoders, one reported to work with a meter.
    decoder = FORMAT.decoder({"judge": judge})
    (one,) = decoder.feed(frame(f"1005002{hertz}0020"), NOW)
    (other,) = decoder.feed(frame(f"1005002{duty}0020"), NOW)
    assert isinstance(one, Reading)
    assert isinstance(other, Reading)
    assert (one.function, one.unit, one.display) == (Function.FREQUENCY, "Hz", "0050.0")
    assert (other.function, other.unit, other.display) == (Function.DUTY, "%", "0050.0")


def test_temperature_is_celsius_with_judge_and_the_point_goes_with_vbar() -> None:
    # Ranges 220.00 and 2200.0, JUDGE set for Celsius: the data sheet by way of a public decoder; not tried on a meter.
    (fine,) = readings(FORMAT, frame("002345480020"))
    (coarse,) = readings(FORMAT, frame("000235480024"))
    assert (fine.function, fine.unit, fine.display) == (Function.TEMPERATURE, "Cel", "023.45")
    assert (coarse.function, coarse.unit, coarse.display) == (Function.TEMPERATURE, "Cel", "0023.5")
    assert readings(FORMAT, frame("002345400020")) == []  # Fahrenheit


@pytest.mark.parametrize(
    ("status", "options", "flags"),
    [
        ("2", "0080", {Flag.LOW_BATTERY}),
        ("0", "8080", {Flag.MAXIMUM}),
        ("0", "4080", {Flag.MINIMUM}),
        ("0", "2080", {Flag.RELATIVE}),
        ("0", "1080", {Flag.RELATIVE}),  # RMR
        ("0", "0480", {Flag.PEAK}),
        ("0", "0280", {Flag.PEAK}),
        ("0", "00:0", {Flag.AUTO_RANGE}),
        ("0", "0082", {Flag.HOLD}),
        ("0", "0081", set()),  # low-pass filter
        ("8", "0080", set()),  # JUDGE says nothing about volts
    ],
)
def test_each_flag_has_its_bit(status: str, options: str, flags: set[Flag]) -> None:
    (reading,) = readings(FORMAT, frame(f"112345;{status}{options}"))
    assert reading.display == "12.345"
    assert reading.flags == flags


@pytest.mark.parametrize(
    ("text", "display", "state"),
    [
        ("112345;40080", "-12.345", State.VALUE),
        ("122000;10080", "OL", State.OVERLOAD),
        ("122000;50080", "-OL", State.OVERLOAD),
        ("100012200820", "", State.BLANK),  # UL: too slow for the range
        ("122000310820", "", State.BLANK),  # UL and OL at once
    ],
)
def test_sign_overload_and_under_range(text: str, display: str, state: State) -> None:
    (reading,) = readings(FORMAT, frame(text))
    assert (reading.display, reading.state) == (display, state)


@pytest.mark.parametrize(
    "text",
    [
        pytest.param("11234;;00080", id="digit above 9"),
        pytest.param("512345;00080", id="range not in the table of the function"),
        pytest.param("112345700080", id="unknown function"),
        pytest.param("112345>00080", id="adapter"),
        pytest.param("112345;000<0", id="AC and DC"),
        pytest.param("112345;00000", id="neither AC nor DC"),
        pytest.param("112345;00090", id="frequency shown in volts"),
        pytest.param("112345=00090", id="frequency shown in amperes"),
        pytest.param("112345=00084", id="clamp adapter in microamperes"),
        pytest.param("112345?00084", id="clamp adapter in milliamperes"),
        pytest.param("112345;00180", id="a bit that is always 0 in option 2"),
        pytest.param("112345;00088", id="a bit that is always 0 in option 4"),
        pytest.param("12345;00080", id="a character too few"),
        pytest.param("1012345;00080", id="a character too many"),
    ],
)
def test_what_the_part_does_not_send_is_refused(text: str) -> None:
    it_refuses(FORMAT, frame(text), VOLTS)


def test_vbar_changes_nothing_where_the_data_sheet_says_so() -> None:
    for function in ";039":
        assert readings(FORMAT, frame(f"012345{function}00084"))[0].raw[6:7] == function.encode()


def test_it_never_asks_and_says_how_its_line_is_set() -> None:
    it_never_asks(FORMAT)
    assert FORMAT.confidence is Confidence.HIGH
    assert (FORMAT.line.baud, FORMAT.line.bytesize, FORMAT.line.parity) == (19230, 7, "O")
    assert FORMAT.look_alikes == ()
