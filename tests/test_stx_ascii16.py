"""The 16-character record that begins with STX.

Vectors: tests/data/frames.json, each with its source (the field table that several published meter manuals print).
"""

import pytest
from hypothesis import given
from hypothesis import strategies as st

import format_laws as laws
from format_laws import Cut
from frames import NOW, Vector, vectors
from meterlink.errors import UsageError
from meterlink.reading import Function, Reading
from meterlink_drivers.formats.stx_ascii16 import FORMAT

VECTORS = vectors("stx-ascii16")
FRAMES = [vector.data for vector in VECTORS]
VOLTS_24 = FRAMES[0]


def record(unit: str = "34", digits: str = "00002406", point: int = 2, sign: str = "0", display: str = "1") -> bytes:
    return f"\x024{display}{unit}{sign}{point}{digits}\r".encode("ascii")


@pytest.mark.parametrize("vector", VECTORS, ids=lambda vector: vector.shown)
def test_each_vector_decodes_to_what_the_display_shows(vector: Vector) -> None:
    laws.the_vector_decodes(FORMAT, vector)


@pytest.mark.parametrize("frame", FRAMES)
def test_a_reading_comes_with_the_last_byte_and_not_later(frame: bytes) -> None:
    laws.an_item_comes_with_the_last_byte(FORMAT, frame)


@given(laws.cuts(FRAMES))
def test_any_split_gives_the_same_readings(cut: Cut) -> None:
    laws.splits_change_nothing(FORMAT, cut)


NOISE = st.one_of(st.binary(max_size=20), st.sampled_from([VOLTS_24[:cut] for cut in range(16)]))


@given(st.lists(st.tuples(NOISE, st.sampled_from(FRAMES)), max_size=5), NOISE)
def test_garbage_and_cut_records_cost_no_good_record(parts: list[tuple[bytes, bytes]], tail: bytes) -> None:
    laws.noise_costs_no_frame(FORMAT, parts, tail)


@given(st.sampled_from(FRAMES), st.integers(1, 15), st.binary(min_size=1, max_size=20), st.sampled_from(FRAMES))
def test_garbage_inside_a_record_never_makes_a_reading(frame: bytes, cut: int, noise: bytes, good: bytes) -> None:
    laws.only_whole_stretches_decode(FORMAT, frame[:cut] + noise + frame[cut:], good)


@given(st.sampled_from(FRAMES), st.integers(0, 15), st.sampled_from(FRAMES))
def test_a_lost_byte_costs_its_record_and_no_other(frame: bytes, lost: int, good: bytes) -> None:
    laws.the_next_good_frame_decodes(FORMAT, frame[:lost] + frame[lost + 1 :], good)


@given(st.binary(max_size=300))
def test_every_byte_is_skipped_decoded_or_held(noise: bytes) -> None:
    laws.every_byte_is_accounted_for(FORMAT, noise, 15)


@pytest.mark.parametrize(
    "frame",
    [
        pytest.param(VOLTS_24[:15], id="15 bytes"),
        pytest.param(record().replace(b"\x024", b"\x025"), id="second byte"),
        pytest.param(record(display="3"), id="display 3"),
        pytest.param(record(display="2"), id="the second display"),
        pytest.param(record(unit="99"), id="unknown unit"),
        pytest.param(record(unit="a4"), id="small letter in the unit"),
        pytest.param(record(sign="2"), id="polarity 2"),
        pytest.param(record(point=4), id="point position 4"),
        pytest.param(record(digits="0000240L"), id="a letter among the digits"),
        pytest.param(record(digits="    2406"), id="spaces among the digits"),
        pytest.param(record(digits="99999999"), id="a field full of nines"),
        pytest.param(record()[:-1] + b"\n", id="LF for CR"),
    ],
)
def test_what_is_no_record_is_refused(frame: bytes) -> None:
    laws.it_refuses(FORMAT, frame, VOLTS_24)


@pytest.mark.parametrize(
    ("unit", "scale", "name", "function"),
    [
        # The unit table as several published meter manuals print it.
        ("34", 0, "V", Function.DC_VOLTAGE),
        ("18", -3, "V", Function.DC_VOLTAGE),
        ("50", 0, "V", Function.AC_VOLTAGE),
        ("49", -3, "V", Function.AC_VOLTAGE),
        ("36", 0, "A", Function.DC_CURRENT),
        ("37", -3, "A", Function.DC_CURRENT),
        ("35", -6, "A", Function.DC_CURRENT),
        ("52", 0, "A", Function.AC_CURRENT),
        ("53", -3, "A", Function.AC_CURRENT),
        ("51", -6, "A", Function.AC_CURRENT),
        ("38", 0, "Ohm", Function.RESISTANCE),
        ("39", 3, "Ohm", Function.RESISTANCE),
        ("40", 6, "Ohm", Function.RESISTANCE),
        ("31", 0, "Hz", Function.FREQUENCY),
        ("33", 3, "Hz", Function.FREQUENCY),
        ("67", 6, "Hz", Function.FREQUENCY),
        ("46", 0, "V", Function.DIODE),
        ("44", -6, "F", Function.CAPACITANCE),
        ("43", -9, "F", Function.CAPACITANCE),
        ("A4", -12, "F", Function.CAPACITANCE),
        ("01", 0, "Cel", Function.TEMPERATURE),
        ("02", 0, "degF", Function.TEMPERATURE),
    ],
)
def test_the_unit_table(unit: str, scale: int, name: str, function: Function) -> None:
    (reading,) = laws.readings(FORMAT, record(unit=unit))
    assert (reading.scale, reading.unit, reading.function) == (scale, name, function)


@pytest.mark.parametrize(
    ("digits", "point", "sign", "display"),
    [
        ("00000000", 0, "0", "0"),
        ("00000000", 2, "0", "0.00"),
        ("00000005", 3, "1", "-0.005"),
        ("12345678", 0, "0", "12345678"),
        ("12345678", 3, "1", "-12345.678"),
        ("00010000", 1, "0", "1000.0"),
    ],
)
def test_the_point_counts_from_the_right_and_leading_zeros_go(digits: str, point: int, sign: str, display: str) -> None:
    (reading,) = laws.readings(FORMAT, record(digits=digits, point=point, sign=sign))
    assert reading.display == display


def test_only_the_display_that_is_asked_for_is_read() -> None:
    stream = record() + record(unit="31", digits="00000500", point=1, display="2")
    main, second = (FORMAT.decoder({"display": number}) for number in "12")
    assert [item.unit for item in main.feed(stream, NOW) if isinstance(item, Reading)] == ["V"]
    assert [item.unit for item in second.feed(stream, NOW) if isinstance(item, Reading)] == ["Hz"]
    assert (main.skipped, second.skipped) == (16, 16)
    with pytest.raises(UsageError, match="expected 1 or 2"):
        FORMAT.decoder({"display": "3"})


def test_it_never_asks() -> None:
    laws.it_never_asks(FORMAT)
