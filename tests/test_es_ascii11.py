"""The two 11-byte frames of the family, which nothing in their bytes tells apart.

Vectors: tests/data/frames.json. The tables of the 4000-count parts are those of a published user guide of such a meter;
what it leaves out is from public decoders. The 6000-count parts have two tables: `layout` takes over the points of the
4000-count parts (from memory); `captures` is from published captures that were written down with the display beside
them, and from public decoders that agree.
"""

from dataclasses import replace

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
from meterlink.driver import Confidence, Format
from meterlink.errors import UsageError
from meterlink.reading import Flag, Function, Instant, State
from meterlink.seven_bit import DAMAGED
from meterlink_drivers.formats.es519xx_2400_11 import FORMAT as COUNTS_4000
from meterlink_drivers.formats.es51986_19200_11 import FORMAT as COUNTS_6000

CAPTURED = replace(
    COUNTS_6000, name="captures", decoder=lambda options: COUNTS_6000.decoder({**options, "tables": "captures"})
)
"""The 6000-count parts by their other table."""
FORMATS = [COUNTS_4000, COUNTS_6000]
VECTORS = [(wire, vector) for wire in FORMATS for vector in vectors(wire.name)]
FRAMES = [vector.data for _, vector in VECTORS]

both = pytest.mark.parametrize("wire", FORMATS, ids=lambda wire: wire.name)
any_format = st.sampled_from(FORMATS)


def frame(text: str) -> bytes:
    return text.encode("ascii") + b"\r\n"


KILOHM = frame("120033802")
"""2.003 kOhm: the same from both parts."""
SHARED = [KILOHM, frame("300123402"), frame("120046802"), frame("020046402")]


@pytest.mark.parametrize(("wire", "vector"), VECTORS, ids=lambda item: getattr(item, "shown", None))
def test_each_vector_decodes_to_what_the_display_shows(wire: Format, vector: Vector) -> None:
    the_vector_decodes(wire, vector)
    an_item_comes_with_the_last_byte(wire, vector.data)


@pytest.mark.parametrize(
    ("text", "function", "display", "power"),
    [
        ("04954;80:", Function.DC_VOLTAGE, "4.954", 0),
        ("11643;80:", Function.DC_VOLTAGE, "16.43", 0),
        ("10626;<0:", Function.DC_VOLTAGE, "-06.26", 0),
        ("00000;<0:", Function.DC_VOLTAGE, "-0.000", 0),
        ("40025;808", Function.DC_VOLTAGE, "002.5", -3),
        ("00844?80:", Function.DC_CURRENT, "08.44", -3),
        ("000009808", Function.DC_CURRENT, "00.00", 0),
        ("015943802", Function.RESISTANCE, "159.4", 0),
        ("121733802", Function.RESISTANCE, "2.173", 3),
        ("209493802", Function.RESISTANCE, "09.49", 3),
        ("304733802", Function.RESISTANCE, "047.3", 3),
        ("426223802", Function.RESISTANCE, "2.622", 6),
        ("560003902", Function.RESISTANCE, "OL", 6),
        ("000726802", Function.CAPACITANCE, "0.072", -9),
        ("155366802", Function.CAPACITANCE, "55.36", -9),
        ("206486802", Function.CAPACITANCE, "064.8", -9),
        ("421886802", Function.CAPACITANCE, "21.88", -6),
        ("510136802", Function.CAPACITANCE, "101.3", -6),
        ("000252802", Function.FREQUENCY, "0025", 0),
        ("428702802", Function.FREQUENCY, "28.70", 6),
        ("000224800", Function.TEMPERATURE, "0022", 0),
    ],
)
def test_published_captures_of_a_6000_count_part_decode(
    text: str, function: Function, display: str, power: int
) -> None:
    # A public notebook and a public test of the same captures, each line with what the display showed (leading zeros
    # as the wire has them); OL was in the megohm range.
    (reading,) = readings(CAPTURED, frame(text))
    assert (reading.function, reading.display, reading.scale) == (function, display, power)


def test_a_table_that_is_not_there_is_refused() -> None:
    with pytest.raises(UsageError, match="tables 'other': expected one of layout, captures"):
        COUNTS_6000.decoder({"tables": "other"})


ROWS_4000 = [
    (";", "0", "123.4", -3), (";", "1", "1.234", 0), (";", "2", "12.34", 0), (";", "3", "123.4", 0),
    (";", "4", "1234", 0),
    ("3", "0", "123.4", 0), ("3", "1", "1.234", 3), ("3", "2", "12.34", 3), ("3", "3", "123.4", 3),
    ("3", "4", "1.234", 6), ("3", "5", "12.34", 6),
    ("9", "0", "12.34", -3), ("9", "1", "123.4", -3),
    ("2", "0", "1.234", 3), ("2", "1", "12.34", 3), ("2", "2", "123.4", 3), ("2", "3", "1.234", 6),
    ("2", "4", "12.34", 6), ("2", "5", "123.4", 6),
    ("6", "0", "1.234", -9), ("6", "1", "12.34", -9), ("6", "2", "123.4", -9), ("6", "3", "1.234", -6),
    ("6", "4", "12.34", -6), ("6", "5", "123.4", -6), ("6", "6", "1.234", -3), ("6", "7", "12.34", -3),
    # public decoders, not the guide:
    ("=", "0", "123.4", -6), ("=", "1", "1234", -6), ("?", "0", "12.34", 0), ("5", "0", "123.4", 0),
    ("1", "0", "1.234", 0),
]  # fmt: skip
ROWS_CAPTURED = [
    (";", "0", "1.234", 0), (";", "1", "12.34", 0), (";", "2", "123.4", 0), (";", "3", "1234", 0),
    (";", "4", "123.4", -3),
    ("3", "0", "123.4", 0), ("3", "1", "1.234", 3), ("3", "2", "12.34", 3), ("3", "3", "123.4", 3),
    ("3", "4", "1.234", 6), ("3", "5", "12.34", 6),
    ("=", "0", "123.4", -6), ("=", "1", "1234", -6), ("?", "0", "12.34", -3), ("?", "1", "123.4", -3),
    ("9", "0", "12.34", 0),
    ("2", "0", "1234", 0), ("2", "1", "12.34", 3), ("2", "2", "123.4", 3), ("2", "3", "1.234", 6),
    ("2", "4", "12.34", 6),
    ("6", "0", "1.234", -9), ("6", "1", "12.34", -9), ("6", "2", "123.4", -9), ("6", "3", "1.234", -6),
    ("6", "4", "12.34", -6), ("6", "5", "123.4", -6), ("6", "6", "1.234", -3),
    ("4", "0", "1234", 0), ("5", "0", "123.4", 0), ("1", "0", "1.234", 0),
]  # fmt: skip
UNITS = {
    ";": "V", "3": "Ohm", "5": "Ohm", "1": "V", "2": "Hz", "6": "F", "4": "Cel", "=": "A", "?": "A", "9": "A",
}  # fmt: skip
ROWS = [(wire, *row) for wire in FORMATS for row in ROWS_4000] + [(CAPTURED, *row) for row in ROWS_CAPTURED]


@pytest.mark.parametrize(("wire", "function", "range_", "display", "power"), ROWS)
def test_range_and_function_place_the_point(wire: Format, function: str, range_: str, display: str, power: int) -> None:
    (reading,) = readings(wire, frame(f"{range_}1234{function}808"))
    assert (reading.display, reading.scale, reading.unit) == (display, power, UNITS[function])
    (overload,) = readings(wire, frame(f"{range_}4000{function}908"))
    assert (overload.display, overload.scale, overload.unit) == ("OL", power, UNITS[function])


@given(any_format, st.sampled_from("0123456789:;<=>?"), st.sampled_from("0123456789:;<=>?"))
def test_a_range_that_is_not_in_the_table_is_refused(wire: Format, function: str, range_: str) -> None:
    if (wire.name, function, range_) not in {(row[0].name, row[1], row[2]) for row in ROWS}:
        assert readings(wire, frame(f"{range_}1234{function}808")) == []


def test_the_same_bytes_are_another_number_by_the_other_table() -> None:
    # Why the user has to say which part it is.
    same = frame("22406;00:")
    wires = (COUNTS_4000, COUNTS_6000, CAPTURED)
    assert [readings(wire, same)[0].display for wire in wires] == ["24.06", "24.06", "240.6"]
    milliamperes, amperes = frame("012349808"), frame("01234?808")
    assert [readings(wire, milliamperes)[0].scale for wire in wires] == [-3, -3, 0]
    assert [readings(wire, amperes)[0].scale for wire in wires] == [0, 0, -3]
    assert [wire.look_alikes for wire in FORMATS] == [(COUNTS_6000.name,), (COUNTS_4000.name,)]


def at_ms(ms: int) -> Instant:
    return Instant(ms * 1_000_000, 0)


@given(any_format, st.sampled_from(SHARED), st.integers(1, 10), st.integers(101, 5000))
def test_the_halves_of_two_blocks_make_no_reading_across_a_silence(
    wire: Format, whole: bytes, cut: int, ms: int
) -> None:
    decoder = wire.decoder({})
    assert decoder.feed(whole[:cut], at_ms(0)) == []
    assert decoder.feed(b"", at_ms(ms - 1)) == []  # nothing is no news
    assert [item.raw for item in decoder.feed(whole[cut:] + KILOHM, at_ms(ms))] == [KILOHM]
    assert decoder.skipped == len(whole)


@given(any_format, st.sampled_from(SHARED), st.integers(1, 10), st.integers(0, 100))
def test_the_rest_of_a_block_may_come_a_little_later(wire: Format, whole: bytes, cut: int, ms: int) -> None:
    decoder = wire.decoder({})
    assert decoder.feed(whole[:cut], at_ms(0)) == []
    (item,) = decoder.feed(whole[cut:], at_ms(ms))
    assert item.raw == whole


@given(any_format, cuts(SHARED))
def test_any_split_gives_the_same_readings(wire: Format, cut: Cut) -> None:
    splits_change_nothing(wire, cut)


NOISE = st.binary(max_size=20).filter(lambda noise: not noise or noise[-1] >> 4 != 3)
"""Bytes whose end cannot be taken for more characters of the frame that follows."""


@given(any_format, st.lists(st.tuples(NOISE, st.sampled_from(SHARED)), max_size=5), NOISE)
def test_garbage_before_between_and_after_costs_no_frame(
    wire: Format, parts: list[tuple[bytes, bytes]], tail: bytes
) -> None:
    noise_costs_no_frame(wire, parts, tail)


@given(any_format, st.sampled_from(SHARED), st.integers(1, 10), st.binary(min_size=1, max_size=20))
def test_garbage_inside_a_frame_never_makes_a_reading(wire: Format, whole: bytes, cut: int, noise: bytes) -> None:
    only_whole_stretches_decode(wire, whole[:cut] + noise + whole[cut:], KILOHM)


@given(any_format, st.sampled_from(SHARED), st.integers(0, 10))
def test_a_damaged_character_costs_its_frame_and_no_other(wire: Format, whole: bytes, place: int) -> None:
    the_next_good_frame_decodes(wire, whole[:place] + bytes([DAMAGED]) + whole[place + 1 :], KILOHM)


@given(any_format, st.sampled_from(SHARED), st.integers(0, 8), st.integers(0x30, 0x3F))
def test_a_character_too_many_costs_its_frame_and_no_other(wire: Format, whole: bytes, place: int, extra: int) -> None:
    the_next_good_frame_decodes(wire, whole[:place] + bytes([extra]) + whole[place:], KILOHM)


@given(any_format, st.binary(max_size=300))
def test_every_byte_of_noise_is_skipped_decoded_or_held(wire: Format, noise: bytes) -> None:
    every_byte_is_accounted_for(wire, noise, 10)


@both
@pytest.mark.parametrize(
    "text",
    [
        pytest.param("1200:3802", id="digit above 9"),
        pytest.param("12003<802", id="unknown function"),
        pytest.param("12003:802", id="frequency of another part"),
        pytest.param("12003;80<", id="AC and DC"),
        pytest.param("12003;800", id="neither AC nor DC"),
        pytest.param("120032002", id="rate of turning"),
        pytest.param("020034002", id="Fahrenheit"),
        pytest.param("12003;818", id="frequency shown in volts, or a bit without a name"),
        pytest.param("1200338020", id="a character too many"),
        pytest.param("20033802", id="a character too few"),
    ],
)
def test_what_the_part_does_not_send_is_refused(wire: Format, text: str) -> None:
    it_refuses(wire, frame(text), KILOHM)


@pytest.mark.parametrize("option", "248")
def test_hold_and_extremes_of_the_6000_count_part_have_no_name_in_the_other(option: str) -> None:
    it_refuses(COUNTS_4000, frame(f"12003;8{option}8"), KILOHM)


def test_a_frame_of_the_es51960_shows_no_wrong_volts() -> None:
    # ES51960 data sheet: DC bit 3 and AUTO bit 2 of the second option, sign in bit 3 of the status; volts there are `<`
    # by a public decoder.
    assert readings(COUNTS_4000, frame("12003<80<")) == []
    assert readings(COUNTS_4000, frame("12003;80<")) == []  # its diode test on automatic range


@pytest.mark.parametrize(
    ("wire", "text", "flags"),
    [
        (COUNTS_4000, "12003;00:", {Flag.AUTO_RANGE}),
        (COUNTS_4000, "12003;208", {Flag.LOW_BATTERY}),
        (COUNTS_4000, "12003;009", set()),  # automatic power-off
        (COUNTS_6000, "12003;088", {Flag.HOLD}),
        (COUNTS_6000, "12003;048", {Flag.MAXIMUM}),
        (COUNTS_6000, "12003;028", {Flag.MINIMUM}),
        (COUNTS_6000, "12003;20:", {Flag.LOW_BATTERY, Flag.AUTO_RANGE}),
    ],
)
def test_each_flag_has_its_bit(wire: Format, text: str, flags: set[Flag]) -> None:
    (reading,) = readings(wire, frame(text))
    assert reading.flags == flags


@both
def test_sign_and_overload(wire: Format) -> None:
    (minus,) = readings(wire, frame("120033402"))
    (over,) = readings(wire, frame("160003502"))
    assert (minus.display, over.display, over.state) == ("-2.003", "-OL", State.OVERLOAD)


def test_ac_lights_ac() -> None:
    assert [readings(wire, frame("12003;004"))[0].function for wire in FORMATS] == [Function.AC_VOLTAGE] * 2


@both
def test_it_never_asks_and_says_how_sure_it_is(wire: Format) -> None:
    it_never_asks(wire)
    assert wire.confidence is (Confidence.MEDIUM if wire is COUNTS_4000 else Confidence.LOW)


def test_the_speeds_are_those_of_the_data_sheets() -> None:
    assert [(wire.line.baud, wire.line.bytesize, wire.line.parity) for wire in FORMATS] == [
        (2400, 7, "O"),
        (19230, 7, "O"),
    ]
