"""The 15-byte frame of the DTM0660, and its stream beside that of the FS9721_LP3.

Vectors: tests/data/frames.json, constructed from memory: the FS9721_LP3's symbols with one byte more.
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
from frames import NOW, VOLTS_24, Vector, vectors
from meterlink.reading import Function
from meterlink_drivers.formats import fs9721_lcd14
from meterlink_drivers.formats.dtm0660_lcd15 import FORMAT

VECTORS = vectors("dtm0660-lcd15")
FRAMES = [vector.data for vector in VECTORS]
VOLTS = FRAMES[0]


@pytest.mark.parametrize("vector", VECTORS, ids=lambda vector: vector.shown)
def test_each_vector_decodes_to_what_the_display_shows(vector: Vector) -> None:
    the_vector_decodes(FORMAT, vector)
    an_item_comes_with_the_last_byte(FORMAT, vector.data)


@given(cuts(FRAMES))
def test_any_split_gives_the_same_readings(cut: Cut) -> None:
    splits_change_nothing(FORMAT, cut)


NOISE = st.binary(max_size=20).filter(lambda noise: not noise or noise[-1] >> 4 != 0xF)
"""Bytes that cannot end in a whole frame of their own."""


@given(st.lists(st.tuples(NOISE, st.sampled_from(FRAMES)), max_size=5), NOISE)
def test_garbage_before_between_and_after_costs_no_frame(parts: list[tuple[bytes, bytes]], tail: bytes) -> None:
    noise_costs_no_frame(FORMAT, parts, tail)


@given(st.sampled_from(FRAMES), st.integers(1, 14), st.binary(min_size=1, max_size=20), st.sampled_from(FRAMES))
def test_garbage_inside_a_frame_never_makes_a_reading(frame: bytes, cut: int, noise: bytes, good: bytes) -> None:
    only_whole_stretches_decode(FORMAT, frame[:cut] + noise + frame[cut:], good)


@given(st.sampled_from(FRAMES), st.integers(0, 14), st.sampled_from(FRAMES))
def test_a_lost_byte_costs_its_frame_and_no_other(frame: bytes, place: int, good: bytes) -> None:
    the_next_good_frame_decodes(FORMAT, frame[:place] + frame[place + 1 :], good)


@given(st.binary(max_size=300))
def test_every_byte_of_noise_is_skipped_decoded_or_held(noise: bytes) -> None:
    every_byte_is_accounted_for(FORMAT, noise, 14)


@pytest.mark.parametrize(
    "frame",
    [
        pytest.param(VOLTS[:4] + b"\x47" + VOLTS[5:], id="index out of order"),
        pytest.param(VOLTS[:5] + b"\x6e" + VOLTS[6:], id="unknown glyph"),
        pytest.param(VOLTS[:3] + b"\x4a" + VOLTS[4:5] + b"\x6f" + VOLTS[6:], id="two points"),
        pytest.param(VOLTS[:12] + b"\xd0\xe4\xf4", id="nothing but symbols that are not decoded"),
        pytest.param(VOLTS[:12] + b"\xdc" + VOLTS[13:], id="two units"),
    ],
)
def test_what_no_display_shows_is_refused(frame: bytes) -> None:
    it_refuses(FORMAT, frame, VOLTS)


@given(st.integers(0, 15), st.integers(0, 15))
def test_the_last_two_bytes_are_kept_and_not_decoded(e: int, f: int) -> None:
    frame = VOLTS[:13] + bytes([0xE0 | e, 0xF0 | f])
    (reading,) = readings(FORMAT, frame)
    assert (reading.display, reading.function, reading.raw) == ("24.06", Function.DC_VOLTAGE, frame)


def test_a_stream_of_the_fs9721_never_decodes() -> None:
    assert readings(FORMAT, VOLTS_24 * 20) == []


def shorter(stream: bytes) -> list[bytes]:
    """Return the frames that the FS9721_LP3's decoder finds in a stream."""
    return [reading.raw for reading in readings(fs9721_lcd14.FORMAT, stream)]


def test_of_its_own_stream_the_fs9721_takes_the_first_frame_only() -> None:
    assert shorter(VOLTS * 20) == [VOLTS[:14]]


@given(st.integers(1, 14))
def test_joining_its_stream_midway_the_fs9721_takes_nothing(cut: int) -> None:
    assert shorter(VOLTS[cut:] + VOLTS * 5) == ([VOLTS[:14]] if cut == 14 else [])


@given(st.integers(0, 12), st.sampled_from([b"", b"\x00", b"\xff"]))
def test_damage_in_its_stream_lets_no_frame_pass_for_the_fs9721(place: int, instead: bytes) -> None:
    damaged = VOLTS[:place] + instead + VOLTS[place + 1 :]
    assert shorter(VOLTS * 2 + damaged + VOLTS * 3) == [VOLTS[:14]]


def test_the_fs9721_decodes_again_when_its_own_stream_goes_on() -> None:
    decoder = fs9721_lcd14.FORMAT.decoder({})
    assert len(decoder.feed(VOLTS * 3, NOW)) == 1
    assert len(decoder.feed(VOLTS_24 * 3, NOW)) == 2  # the first shows whose stream it is


def test_it_never_asks_and_is_marked_as_unproven() -> None:
    it_never_asks(FORMAT)
    assert FORMAT.experimental
