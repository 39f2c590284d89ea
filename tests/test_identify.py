"""The pure part of identifying: every candidate decodes side by side; the bytes decide, or they do not."""

import random
from collections.abc import Sequence
from itertools import chain, pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from frames import VOLTS_24, Vector, vectors
from meterlink.driver import Format
from meterlink.finder import loadable_formats
from meterlink.identify import (
    Hearing,
    Listener,
    Parity,
    parity_of,
    same_speed,
    separated_by_speed,
    takes_part,
    what_is_wrong,
    with_look_alikes,
)
from meterlink.reading import Instant

FORMATS = loadable_formats()
BY_BYTES = [wire for wire in FORMATS.values() if takes_part(wire)]
FS9721, DTM0660 = "fs9721-lcd14", "dtm0660-lcd15"
ES_SLOW, ES_FAST = "es519xx-2400-11", "es51986-19200-11"
UPDATE_NS = 400_000_000
OHMS = bytes.fromhex("11 27 3D 47 5D 67 7D 89 9F A0 B1 C4 D0 E0")
"""000.3 ohm, beeper: another function than VOLTS_24."""


def heard(*chunks: bytes, formats: Sequence[Format] = BY_BYTES) -> Hearing:
    """What comes of chunks, one an update."""
    return listened(*chunks, formats=formats).hearing


def listened(*chunks: bytes, formats: Sequence[Format] = BY_BYTES) -> Listener:
    listener = Listener(formats)
    for number, chunk in enumerate(chunks):
        listener.feed(chunk, Instant(number * UPDATE_NS, number * UPDATE_NS))
    return listener


def names(hearing: Hearing) -> list[str]:
    return [each.format for each in with_look_alikes(hearing, FORMATS)]


def with_parity(data: bytes, parity: Parity) -> bytes:
    """What an eight-bit port hands over of seven-bit characters."""
    match parity:
        case Parity.SET:
            return bytes(byte | 0x80 for byte in data)
        case Parity.ODD | Parity.EVEN:
            odd = parity is Parity.ODD
            return bytes(byte | (0x80 if (byte.bit_count() % 2 == 1) != odd else 0) for byte in data)
    return data


def speaking() -> list[tuple[str, Vector]]:
    """The vectors of every format whose bytes can speak for it."""
    return [(wire.name, vector) for wire in BY_BYTES for vector in vectors(wire.name)]


def in_every_parity() -> list[tuple[str, Vector, Parity]]:
    """The same, seven-bit characters with each parity that an eight-bit port may see on them."""
    return [
        (name, vector, parity)
        for name, vector in speaking()
        for parity in Parity
        if parity is Parity.NONE or max(vector.data) < 0x80
    ]


@pytest.mark.parametrize(("name", "vector", "parity"), in_every_parity())
def test_no_vector_is_taken_for_another_format(name: str, vector: Vector, parity: Parity) -> None:
    found = names(heard(*[with_parity(vector.data, parity)] * 5))
    # A request on a bus is nobody's reading: then nothing may be accepted at all.
    assert name in found or (not found and name == "modbus-rtu")


@pytest.mark.parametrize("frames", [1, 2])
def test_fewer_than_three_frames_are_no_answer(frames: int) -> None:
    listener = listened(*[VOLTS_24] * frames)
    assert listener.hearing.accepted == ()
    assert not listener.decided


def test_three_frames_that_agree_are_an_answer_at_once() -> None:
    listener = listened(VOLTS_24, VOLTS_24, VOLTS_24)
    assert listener.decided
    (each,) = listener.hearing.accepted
    assert (each.format, each.frames, each.explained) == (FS9721, 3, 42)
    assert (each.function, each.shown) == ("dc-voltage", "24.06 V dc-voltage")


def test_frames_that_differ_in_function_do_not_agree() -> None:
    assert heard(VOLTS_24, VOLTS_24, OHMS, VOLTS_24, OHMS).accepted == ()
    assert names(heard(VOLTS_24, OHMS, OHMS, OHMS)) == [FS9721]  # the dial was turned while we listened


def test_something_refused_between_frames_begins_the_count_anew() -> None:
    damaged = VOLTS_24[:5] + b"\x99" + VOLTS_24[6:]
    assert heard(VOLTS_24, VOLTS_24, damaged, VOLTS_24, VOLTS_24).accepted == ()
    assert names(heard(VOLTS_24, damaged, VOLTS_24, VOLTS_24, VOLTS_24)) == [FS9721]


def test_a_stream_that_is_joined_in_the_middle_of_a_frame() -> None:
    assert names(heard(VOLTS_24[5:], *[VOLTS_24] * 3)) == [FS9721]


@given(st.integers(0, 2**32), st.sampled_from([name for name, _ in speaking()]))
def test_borders_between_chunks_mean_nothing(seed: int, name: str) -> None:
    rng = random.Random(seed)
    stream = vectors(name)[0].data * 5
    cuts = sorted({0, len(stream), *(rng.randrange(len(stream)) for _ in range(9))})
    listener, whole = Listener(BY_BYTES), Listener(BY_BYTES)
    for start, end in pairwise(cuts):
        listener.feed(stream[start:end], Instant(0, 0))
    whole.feed(stream, Instant(0, 0))
    assert listener.hearing.heard == whole.hearing.heard


def test_a_long_stream_of_noise_is_nobody_s() -> None:
    rng = random.Random(7)
    for _ in range(20):
        assert heard(*(rng.randbytes(50) for _ in range(20))).accepted == ()


# Formats that could be taken for one another


def test_a_dtm0660_is_not_taken_for_an_fs9721_nor_the_other_way_round() -> None:
    (frame,) = (vector.data for vector in vectors(DTM0660) if vector.shown.startswith("24.06"))
    hearing = heard(*[frame] * 5)
    assert names(hearing) == [DTM0660]
    assert names(heard(*[VOLTS_24] * 5)) == [FS9721]


def test_the_11_byte_parts_are_always_one_of_these() -> None:
    for name in (ES_SLOW, ES_FAST):
        for vector in vectors(name):
            assert names(heard(*[vector.data] * 6)) == [ES_FAST, ES_SLOW]


def test_lines_of_text_are_the_last_resort() -> None:
    polled = vectors("ascii-polled-14")[0].data
    assert names(heard(*[polled] * 6, formats=[FORMATS["text-line"]])) == ["text-line"]
    hearing = heard(*[polled] * 6)
    assert "ascii-polled-14" in names(hearing)
    assert "text-line" not in names(hearing)


def test_a_number_without_a_unit_is_no_answer() -> None:
    hearing = heard(*[b"24.06\r\n"] * 6)
    assert hearing.accepted == ()
    assert "none is a number with a unit" in what_is_wrong(hearing)


def test_formats_that_read_any_bytes_have_no_say() -> None:
    silent = {name for name in FORMATS if name not in {wire.name for wire in BY_BYTES}}
    assert silent == {
        "gatt-voltage-2b18",
        "gatt-current-2aee",
        "gatt-temperature-2a6e",
        "gatt-battery-2a19",
        "sfloat16",
        "scpi-line",  # bare numbers: it counts only as the answer to a question
    }


def test_the_speed_separates_what_the_bytes_do_not() -> None:
    found = with_look_alikes(heard(*[vectors(ES_SLOW)[0].data] * 6), FORMATS)
    staying, gone = separated_by_speed(found, FORMATS, 2400)
    assert [each.format for each in staying] == [ES_SLOW]
    assert gone == [f"{ES_FAST} would explain the same bytes, but it runs at 19230 bit/s"]
    assert [each.format for each in separated_by_speed(found, FORMATS, 19200)[0]] == [ES_FAST]
    assert len(separated_by_speed(found, FORMATS, 9600)[0]) == 2  # neither's own speed: it separates nothing


def test_a_port_at_19200_receives_what_is_sent_at_19230() -> None:
    # ES51922 data sheet: 19230 bit/s; a receiver samples ten bits, so it has some 4 % in all.
    assert same_speed(19230, 19200)
    assert not same_speed(9600, 19200)


# Parity


@pytest.mark.parametrize("parity", list(Parity), ids=lambda parity: parity.words)
def test_the_parity_is_found_by_counting_ones(parity: Parity) -> None:
    text = b"DC  2.989   V\r" * 3
    assert parity_of(with_parity(text, parity)) is parity


def test_a_few_damaged_bytes_do_not_hide_the_parity() -> None:
    data = bytearray(with_parity(b"107393;000:0\r\n" * 4, Parity.ODD))
    data[7] ^= 0x10
    assert parity_of(bytes(data)) is Parity.ODD


def test_eight_bit_frames_have_no_parity() -> None:
    for name in (FS9721, "fs9922-ascii14", "ble-count6", "ble-lcd11-xor"):
        stream = b"".join(chain.from_iterable([vector.data] * 3 for vector in vectors(name)))
        assert parity_of(stream) is Parity.NONE


def test_seven_bits_with_another_parity_than_the_format_s_own_are_found_all_the_same() -> None:
    (each,) = heard(*[with_parity(b"24.06 V DC\r\n", Parity.EVEN)] * 6).accepted
    assert (each.format, each.parity) == ("text-line", Parity.EVEN)


def test_text_of_seven_bits_read_as_eight_is_told_by_its_parity() -> None:
    # Seven bits with odd parity, as an 8N1 port sees "+0024.1" without unit and the rest of a line.
    hearing = heard(*[with_parity(b"NO NUMBER HERE\r\n", Parity.ODD)] * 4)
    assert hearing.accepted == ()
    assert "every byte fits 7O1" in what_is_wrong(hearing)


# What cannot be decoded


def test_junk_is_called_by_its_likely_causes() -> None:
    words = what_is_wrong(heard(bytes(range(0, 250, 7)) * 4))
    assert words.startswith("144 bytes, none decoded; this is what a wrong speed or parity looks like")
    assert "they begin 00 07 0e 15" in words


def test_frames_that_never_stand_in_a_row_are_named() -> None:
    words = what_is_wrong(heard(*[VOLTS_24, b"\x99"] * 4))
    assert "4 frames of fs9721-lcd14 are in it, but never three in a row" in words


def at(seconds: float) -> Instant:
    return Instant(int(seconds * 1e9), 0)


def test_a_speed_is_given_up_when_enough_came_for_any_frame() -> None:
    listener = Listener(BY_BYTES)
    listener.feed(b"\x00\xff\xfe" * 8, at(0.1))
    assert not listener.hopeless(at(0.2))  # it may go on
    assert listener.hopeless(at(1.2))
    listener.feed(b"\x00\xff\xfe" * 40, at(1.3))
    assert listener.hopeless(at(1.3))


def test_bursts_shorter_than_any_frame_mean_a_speed_far_too_low() -> None:
    listener = Listener(BY_BYTES)
    for number in range(3):
        listener.feed(b"\x80\x00", at(0.4 * number))
        assert not listener.hopeless(at(0.4 * number))
    assert listener.hopeless(at(1.0))


@pytest.mark.parametrize("data", [b"", VOLTS_24 * 20, b"24.06\r\n" * 40], ids=["silence", "frames", "text"])
def test_a_speed_is_not_given_up_while_there_is_hope(data: bytes) -> None:
    listener = Listener(BY_BYTES)
    listener.feed(data, at(0.1))
    assert not listener.hopeless(at(2.4))


def test_what_is_held_is_bounded() -> None:
    listener = Listener(BY_BYTES)
    for _ in range(300):
        listener.feed(bytes(200), at(0))
    assert len(listener._bytes) <= 4096
    assert listener.received == 60_000
