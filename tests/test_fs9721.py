"""The 14-byte frame of the FS9721_LP3.

Vectors: tests/data/frames.json, each with its source (constructed from the segment table of FS9721_LP3-DS-21_EN, as
transcriptions that agree give it). What a decoder must refuse follows from the same table.
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
    splits_change_nothing,
    the_vector_decodes,
)
from frames import NOW, VOLTS_24, Vector, vectors
from meterlink.errors import UsageError
from meterlink.reading import Function, Reading, State
from meterlink.seven_segment import glyphs
from meterlink_drivers.formats.fs9721_lcd14 import FORMAT, Fs9721Decoder

VECTORS = vectors("fs9721-lcd14")
FRAMES = [vector.data for vector in VECTORS]


def decode(data: bytes, celsius_bit: int | None = None) -> list[Reading]:
    return Fs9721Decoder(celsius_bit).feed(data, NOW)


def lit(frame: bytes, *lamps: tuple[int, int]) -> bytes:
    """Return the frame with segments turned over; a lamp is a byte (1 to 14) and a bit."""
    turned = bytearray(frame)
    for byte, bit in lamps:
        turned[byte - 1] ^= 1 << bit
    return bytes(turned)


def with_digits(text: str, frame: bytes = VOLTS_24, point: int | None = None) -> bytes:
    """Return the frame with other digits; `point` is the digit (2 to 4) with the point before it."""
    bits = {character: pattern for pattern, character in glyphs("efadcgb").items()}
    turned = bytearray(frame)
    for place, character in enumerate(text):
        first = 1 + 2 * place
        head = 8 if point == place + 1 else turned[first] & 8 if place == 0 else 0
        turned[first] = (first + 1) << 4 | head | bits[character] >> 4
        turned[first + 1] = (first + 2) << 4 | bits[character] & 15
    return bytes(turned)


@pytest.mark.parametrize("vector", VECTORS, ids=lambda vector: vector.shown)
def test_each_vector_decodes_to_what_the_display_shows(vector: Vector) -> None:
    the_vector_decodes(FORMAT, vector)
    an_item_comes_with_the_last_byte(FORMAT, vector.data)


def test_leading_zeros_stay_as_on_the_wire() -> None:
    # Section "FS9721_LP3" of the segment table's transcriptions: the wire does not blank leading zeros.
    assert [reading.display for reading in decode(FRAMES[4])] == ["000.3"]


@given(cuts(FRAMES))
def test_any_split_gives_the_same_readings(cut: Cut) -> None:
    splits_change_nothing(FORMAT, cut)


NOISE = st.lists(st.integers(0x00, 0xDF), max_size=20).map(bytes)
"""Bytes that neither end in a whole frame of their own nor look like the last byte of another chip's frame."""


@given(st.lists(st.tuples(NOISE, st.sampled_from(FRAMES)), max_size=5), NOISE)
def test_garbage_before_between_and_after_costs_no_frame(parts: list[tuple[bytes, bytes]], tail: bytes) -> None:
    noise_costs_no_frame(FORMAT, parts, tail)


@given(st.sampled_from(FRAMES), st.integers(1, 13), st.binary(min_size=1, max_size=20), st.sampled_from(FRAMES))
def test_garbage_inside_a_frame_never_makes_a_reading(frame: bytes, cut: int, noise: bytes, good: bytes) -> None:
    only_whole_stretches_decode(FORMAT, frame[:cut] + noise + frame[cut:], good)


@given(st.binary(max_size=300))
def test_every_byte_of_noise_is_skipped_decoded_or_held(noise: bytes) -> None:
    every_byte_is_accounted_for(FORMAT, noise, 13)


@given(st.sampled_from(FRAMES), st.integers(0, 13), st.integers(0, 255))
def test_a_byte_with_a_wrong_index_costs_its_frame(frame: bytes, place: int, byte: int) -> None:
    damaged = frame[:place] + bytes([byte]) + frame[place + 1 :]
    if byte >> 4 != place + 1:
        assert decode(damaged) == []


def test_a_first_byte_inside_a_broken_frame_starts_the_next() -> None:
    decoder = Fs9721Decoder()
    assert [reading.display for reading in decoder.feed(VOLTS_24[:5] + VOLTS_24, NOW)] == ["24.06"]
    assert decoder.skipped == 5


@pytest.mark.parametrize(
    "frame",
    [
        pytest.param(VOLTS_24[:13], id="13 bytes"),
        pytest.param(VOLTS_24[:4] + b"\x47" + VOLTS_24[5:], id="index out of order"),
        pytest.param(lit(VOLTS_24, (4, 3)), id="two points"),
        pytest.param(lit(with_digits(" 0L ", point=3), (8, 3)), id="two points in overload"),
        pytest.param(lit(with_digits("----", point=3), (8, 3)), id="two points in dashes"),
        pytest.param(lit(VOLTS_24, (2, 0)), id="unknown glyph"),
        pytest.param(lit(VOLTS_24, (1, 3)), id="AC and DC"),
        pytest.param(lit(VOLTS_24, (1, 2)), id="volts with neither AC nor DC"),
        pytest.param(lit(VOLTS_24, (13, 3)), id="two units"),
        pytest.param(lit(VOLTS_24, (13, 2)), id="no unit"),
        pytest.param(lit(VOLTS_24, (11, 2)), id="volts and percent"),
        pytest.param(lit(VOLTS_24, (11, 1)), id="megavolts"),
        pytest.param(lit(VOLTS_24, (10, 1), (11, 3)), id="two prefixes"),
        pytest.param(lit(VOLTS_24, (1, 2), (13, 2), (11, 2), (11, 3)), id="milli percent"),
        pytest.param(lit(VOLTS_24, (10, 0)), id="diode and DC"),
        pytest.param(lit(VOLTS_24, (11, 0)), id="beeper and volts"),
        pytest.param(with_digits("2 06"), id="blank inside"),
        pytest.param(with_digits("206 "), id="blank behind"),
        pytest.param(with_digits("  06", point=2), id="blank behind the point"),
        pytest.param(with_digits("0LL0"), id="two L"),
        pytest.param(with_digits("1L 0"), id="L beside a digit"),
        pytest.param(with_digits("EF00"), id="letters"),
        pytest.param(with_digits("-123"), id="dash beside digits"),
    ],
)
def test_what_no_display_shows_is_refused(frame: bytes) -> None:
    it_refuses(FORMAT, frame, VOLTS_24)


@pytest.mark.parametrize(
    ("frame", "display", "state"),
    [
        (with_digits(" 123", point=3), "1.23", State.VALUE),
        (with_digits("   5", point=4), ".5", State.VALUE),
        (with_digits("   5"), "5", State.VALUE),
        (with_digits(" 0L ", point=3), "OL", State.OVERLOAD),
        (lit(with_digits(" 0L ", point=3), (2, 3)), "-OL", State.OVERLOAD),
        (with_digits("   L"), "OL", State.OVERLOAD),
        (with_digits("----"), "", State.BLANK),
        (with_digits(" -- ", point=3), "", State.BLANK),
        (with_digits("    "), "", State.BLANK),
    ],
)
def test_what_a_display_can_show(frame: bytes, display: str, state: State) -> None:
    (reading,) = decode(frame)
    assert (reading.display, reading.state) == (display, state)


def test_duty_has_percent_for_its_unit() -> None:
    (reading,) = decode(lit(VOLTS_24, (1, 2), (13, 2), (11, 2)))
    assert (reading.function, reading.unit, reading.display) == (Function.DUTY, "%", "24.06")


@pytest.mark.parametrize("bit", [0, 1, 2, 3])
def test_celsius_is_only_what_the_option_names(bit: int) -> None:
    # Common practice, no source: which user bit means Celsius differs from meter to meter.
    bare = lit(VOLTS_24, (1, 2), (13, 2))
    warm = lit(bare, (14, bit))
    (reading,) = decode(warm, bit)
    assert (reading.function, reading.unit, reading.display) == (Function.TEMPERATURE, "Cel", "24.06")
    assert decode(warm) == []
    assert decode(warm, (bit + 1) % 4) == []
    assert decode(bare, bit) == []
    assert decode(lit(VOLTS_24, (14, bit)), bit) == []  # volts and Celsius at once


def test_the_option_takes_a_bit_number_and_nothing_else() -> None:
    frame = lit(VOLTS_24, (1, 2), (13, 2), (14, 2))
    assert [
        item.unit for item in FORMAT.decoder({"celsius-bit": "2"}).feed(frame, NOW) if isinstance(item, Reading)
    ] == ["Cel"]
    with pytest.raises(UsageError, match="expected 0, 1, 2 or 3"):
        FORMAT.decoder({"celsius-bit": "4"})


def test_it_never_asks() -> None:
    it_never_asks(FORMAT)


def test_glyphs_agree_with_the_published_patterns() -> None:
    # Seven bits e f a d c g b as the FS9721_LP3 segment table wires them, worked out by hand from the usual shapes.
    assert glyphs("efadcgb") == {
        0x7D: "0", 0x05: "1", 0x5B: "2", 0x1F: "3", 0x27: "4", 0x3E: "5", 0x7E: "6", 0x15: "7", 0x7F: "8", 0x3F: "9",
        0x68: "L", 0x7A: "E", 0x72: "F", 0x02: "-", 0x00: " ",
    }  # fmt: skip
    # The common a-to-g codes, a in bit 0, as drivers such as the MAX7219's tables list them (from memory).
    digits = [0x3F, 0x06, 0x5B, 0x4F, 0x66, 0x6D, 0x7D, 0x07, 0x7F, 0x6F]
    assert [glyphs("gfedcba")[code] for code in digits] == list("0123456789")
