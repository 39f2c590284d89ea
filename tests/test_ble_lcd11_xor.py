"""The 11-byte scrambled display copy of Bluetooth LE meters.

Vectors: tests/data/frames.json; that of 0022 Celsius is a published capture, the others are constructed from the bit
map of the same public protocol notes.
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
from meterlink.reading import FAHRENHEIT, Flag, Function, Instant, State
from meterlink_drivers.formats.ble_lcd11_xor import FORMAT

VECTORS = vectors("ble-lcd11-xor")
FRAMES = [vector.data for vector in VECTORS]
CAPTURE, VOLTS = FRAMES[:2]

KEY = bytes.fromhex("41 21 73 55 A2 C1 32 71 66 AA 3B D0 E2 A8 33 14 20 21 AA BB")
"""The whole key of the public notes."""
EIGHT_BITS = {
    "0": 0xBE, "1": 0xA0, "2": 0xDA, "3": 0xF8, "4": 0xE4, "5": 0x7C, "6": 0x7E, "7": 0xA8, "8": 0xFE, "9": 0xFC,
    "L": 0x16, "-": 0x40, "E": 0x5E, "F": 0x4E, " ": 0x00,
}  # fmt: skip
"""The plain byte of each glyph, its first segment in bit 1: worked out by hand from the order e f a d c g b."""


def scrambled(plain: bytes) -> bytes:
    return bytes(byte ^ key for byte, key in zip(plain, KEY, strict=False))


def built(text: str, *bits: int, point: int | None = None, minus: bool = False) -> bytes:
    """Return a frame with these four characters and the symbols of these bits; `point` as in `with_digits`: 2 to 4."""
    number = 0x03A55A | sum(1 << bit for bit in bits) | minus << 28
    for place, character in enumerate(text):
        number |= (EIGHT_BITS[character] | (point == place + 1)) << 28 + 8 * place
    return scrambled(number.to_bytes(11, "little"))


DC, VOLT, AUTO, BLUETOOTH = 78, 76, 80, 26


def toggled(frame: bytes, *bits: int) -> bytes:
    return (int.from_bytes(frame, "little") ^ sum(1 << bit for bit in bits)).to_bytes(11, "little")


@pytest.mark.parametrize("vector", VECTORS, ids=lambda vector: vector.shown)
def test_each_vector_decodes_to_what_the_display_shows(vector: Vector) -> None:
    the_vector_decodes(FORMAT, vector)
    an_item_comes_with_the_last_byte(FORMAT, vector.data)


def test_the_frames_of_these_tests_are_built_as_the_vectors_are() -> None:
    assert built("2406", DC, VOLT, AUTO, BLUETOOTH, point=3) == VOLTS
    assert scrambled(CAPTURE) == bytes.fromhex("5A A5 03 E4 EB AB AD 4D 00 00 00")  # as the public notes print it


@given(cuts(FRAMES))
def test_any_split_gives_the_same_readings(cut: Cut) -> None:
    splits_change_nothing(FORMAT, cut)


NOISE = st.binary(max_size=20).filter(lambda noise: 0x1B not in noise)
"""Bytes that cannot begin a frame."""


@given(st.lists(st.tuples(NOISE, st.sampled_from(FRAMES)), max_size=5), NOISE)
def test_garbage_before_between_and_after_costs_no_frame(parts: list[tuple[bytes, bytes]], tail: bytes) -> None:
    noise_costs_no_frame(FORMAT, parts, tail)


@given(st.sampled_from(FRAMES), st.integers(1, 10), NOISE, st.sampled_from(FRAMES))
def test_garbage_inside_a_frame_never_makes_a_reading(frame: bytes, cut: int, noise: bytes, good: bytes) -> None:
    only_whole_stretches_decode(FORMAT, frame[:cut] + noise + frame[cut:], good)


@given(st.sampled_from(FRAMES), st.integers(0, 10), st.sampled_from(FRAMES))
def test_a_lost_byte_costs_its_frame_and_no_other(frame: bytes, place: int, good: bytes) -> None:
    the_next_good_frame_decodes(FORMAT, frame[:place] + frame[place + 1 :], good)


@given(st.sampled_from(FRAMES), st.integers(1, 10), st.sampled_from(FRAMES))
def test_a_good_frame_that_begins_inside_a_broken_one_is_found(frame: bytes, cut: int, good: bytes) -> None:
    assert [reading.raw for reading in readings(FORMAT, frame[:cut] + good)] == [good]


@given(st.sampled_from(FRAMES), st.integers(1, 10), st.integers(51, 5_000))
def test_what_was_begun_is_thrown_away_when_more_comes_too_late(frame: bytes, cut: int, ms: int) -> None:
    decoder = FORMAT.decoder({})
    assert list(decoder.feed(frame[:cut], NOW)) == []
    later = Instant(NOW.monotonic_ns + ms * 1_000_000, NOW.utc_ns)
    assert list(decoder.feed(frame[cut:], later)) == []
    assert [item.raw for item in decoder.feed(frame, later)] == [frame]


@given(st.binary(max_size=300))
def test_every_byte_of_noise_is_skipped_decoded_or_held(noise: bytes) -> None:
    every_byte_is_accounted_for(FORMAT, noise, 10)


@pytest.mark.parametrize("kind", [0, 1, 2, 4])
def test_other_types_are_refused_whatever_their_length(kind: int) -> None:
    for length in (10, 11):
        plain = scrambled(VOLTS)[:length]
        it_refuses(FORMAT, scrambled(plain[:2] + bytes([kind]) + plain[3:]), VOLTS)


@pytest.mark.parametrize(
    "frame",
    [
        pytest.param(built("2406", DC, AUTO, point=3), id="no unit"),
        pytest.param(built("2406", DC, VOLT, 77, point=3), id="two units"),
        pytest.param(built("2406", VOLT, point=3), id="neither AC nor DC"),
        pytest.param(built("2406", DC, 67, VOLT, point=3), id="AC and DC"),
        pytest.param(built("2406", DC, 63, VOLT, point=3), id="diode and DC"),
        pytest.param(built("2406", DC, 27, VOLT, point=3), id="beeper and volts"),
        pytest.param(built("2406", DC, 66, point=3), id="DC percent"),
        pytest.param(built("2406", 68, point=3), id="whole farads"),
        pytest.param(built("EF00", DC, VOLT), id="letters"),
        pytest.param(built("2 06", DC, VOLT), id="blank inside"),
        pytest.param(built("1L 0", DC, VOLT), id="L beside a digit"),
        pytest.param(toggled(VOLTS, 29), id="unknown glyph"),
        pytest.param(toggled(VOLTS, 36), id="two points"),
        *(pytest.param(toggled(VOLTS, bit), id=f"unnamed symbol {bit}") for bit in (24, 81, 84, 85, 86, 87)),
    ],
)
def test_what_no_display_shows_is_refused(frame: bytes) -> None:
    it_refuses(FORMAT, frame, VOLTS)


@pytest.mark.parametrize(
    ("frame", "display", "state"),
    [
        (built("1234", DC, VOLT, point=2), "1.234", State.VALUE),
        (built("1234", DC, VOLT, point=4, minus=True), "-123.4", State.VALUE),
        (built("5678", DC, VOLT), "5678", State.VALUE),
        (built("  90", DC, VOLT, point=3), ".90", State.VALUE),
        (built(" 0L ", 75, point=3), "OL", State.OVERLOAD),
        (built("    ", DC, VOLT), "", State.BLANK),
        (built("----", DC, VOLT), "", State.BLANK),
    ],
)
def test_what_a_display_can_show(frame: bytes, display: str, state: State) -> None:
    (reading,) = readings(FORMAT, frame)
    assert (reading.display, reading.state) == (display, state)


@pytest.mark.parametrize(
    ("bits", "function", "unit", "scale"),
    [
        ((DC, 76), Function.DC_VOLTAGE, "V", 0),
        ((67, 77), Function.AC_VOLTAGE, "V", -3),
        ((DC, 79), Function.DC_CURRENT, "A", 0),
        ((67, 82), Function.AC_CURRENT, "A", -6),
        ((DC, 83), Function.DC_CURRENT, "A", -3),
        ((73,), Function.RESISTANCE, "Ohm", 0),
        ((74,), Function.RESISTANCE, "Ohm", 3),
        ((75,), Function.RESISTANCE, "Ohm", 6),
        ((73, 27), Function.CONTINUITY, "Ohm", 0),
        ((76, 63), Function.DIODE, "V", 0),
        ((69,), Function.CAPACITANCE, "F", -6),
        ((70,), Function.CAPACITANCE, "F", -3),
        ((71,), Function.CAPACITANCE, "F", -9),
        ((72,), Function.FREQUENCY, "Hz", 0),
        ((66,), Function.DUTY, "%", 0),
        ((62,), Function.TEMPERATURE, "Cel", 0),
        ((61,), Function.TEMPERATURE, FAHRENHEIT, 0),
    ],
)
def test_symbols_name_the_function(bits: tuple[int, ...], function: Function, unit: str, scale: int) -> None:
    (reading,) = readings(FORMAT, built("1234", *bits, point=2))
    assert (reading.function, reading.unit, reading.scale) == (function, unit, scale)


@pytest.mark.parametrize(
    ("bit", "flag"),
    [(25, Flag.RELATIVE), (60, Flag.HOLD), (64, Flag.MAXIMUM), (65, Flag.MINIMUM), (80, Flag.AUTO_RANGE)],
)
def test_each_flag_has_its_bit(bit: int, flag: Flag) -> None:
    (reading,) = readings(FORMAT, built("2406", DC, VOLT, bit, point=3))
    assert reading.flags == {flag}


def test_it_never_asks_and_says_where_it_is_found() -> None:
    it_never_asks(FORMAT)
    assert FORMAT.confidence is Confidence.HIGH
    assert FORMAT.line.gatt is not None
    assert FORMAT.line.gatt.notify.startswith("0000fff4-")
