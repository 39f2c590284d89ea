"""The 14-character ASCII reply of meters that are asked with `D`.

Vectors: tests/data/frames.json, each with its source (a mailing-list post of 2007-01-18, a published 600 baud session).
"""

import pytest
from hypothesis import given
from hypothesis import strategies as st

import format_laws as laws
from format_laws import Cut
from frames import NOW, Vector, vectors
from meterlink.errors import UsageError
from meterlink.reading import Function, Instant, State
from meterlink.seven_bit import SevenBits
from meterlink_drivers.formats.ascii_polled_14 import FORMAT, AsciiSession

VECTORS = vectors("ascii-polled-14")
FRAMES = [vector.data for vector in VECTORS]
VOLTS_3 = FRAMES[0]
LISTEN = {"poll": "off"}


def at(ms: int) -> Instant:
    return Instant(ms * 1_000_000, 0)


@pytest.mark.parametrize("vector", VECTORS, ids=lambda vector: vector.shown)
def test_each_vector_decodes_to_what_the_display_shows(vector: Vector) -> None:
    laws.the_vector_decodes(FORMAT, vector, LISTEN)


@pytest.mark.parametrize("frame", FRAMES)
def test_a_reading_comes_with_the_last_byte_and_not_later(frame: bytes) -> None:
    laws.an_item_comes_with_the_last_byte(FORMAT, frame, LISTEN)


@given(laws.cuts(FRAMES))
def test_any_split_gives_the_same_readings(cut: Cut) -> None:
    laws.splits_change_nothing(FORMAT, cut, LISTEN)


NOISE = st.binary(max_size=20).map(lambda noise: noise and noise + b"\r")
"""Lines of anything: what is lost with a broken line ends where the line ends."""


@given(st.lists(st.tuples(NOISE, st.sampled_from(FRAMES)), max_size=5), NOISE)
def test_broken_lines_cost_no_good_reply(parts: list[tuple[bytes, bytes]], tail: bytes) -> None:
    laws.noise_costs_no_frame(FORMAT, parts, tail, LISTEN)


@given(st.sampled_from(FRAMES), st.integers(1, 13), st.binary(min_size=1, max_size=20), st.sampled_from(FRAMES))
def test_garbage_inside_a_reply_never_makes_a_reading(frame: bytes, cut: int, noise: bytes, good: bytes) -> None:
    laws.only_whole_stretches_decode(FORMAT, frame[:cut] + noise + frame[cut:], good, LISTEN)


@given(st.sampled_from(FRAMES), st.integers(0, 12), st.sampled_from(FRAMES))
def test_a_lost_byte_costs_its_reply_and_no_other(frame: bytes, lost: int, good: bytes) -> None:
    laws.the_next_good_frame_decodes(FORMAT, frame[:lost] + frame[lost + 1 :], good, LISTEN)


@given(st.sampled_from(FRAMES), st.integers(1, 13))
def test_the_tail_of_a_reply_is_no_reply(frame: bytes, cut: int) -> None:
    laws.the_next_good_frame_decodes(FORMAT, frame[cut:], VOLTS_3, LISTEN)


@given(st.binary(max_size=300).filter(lambda noise: not {10, 13} & set(noise)))
def test_every_byte_is_skipped_decoded_or_held(noise: bytes) -> None:
    laws.every_byte_is_accounted_for(FORMAT, noise, 13, LISTEN)


@pytest.mark.parametrize(
    "text",
    [
        pytest.param("DC  2.989  V", id="12 characters"),
        pytest.param("DC  2.989    V", id="14 characters"),
        pytest.param("AC  229.8 Ohm", id="AC ohms"),
        pytest.param("    2.989   V", id="volts without a code"),
        pytest.param("OH  2.989   V", id="OH and volts"),
        pytest.param("TE  2.989   V", id="TE and volts"),
        pytest.param("XX  2.989   V", id="unknown code"),
        pytest.param("dc  2.989   V", id="code in small letters"),
        pytest.param("DC  2.989  MV", id="megavolts"),
        pytest.param("OH  1.000mohm", id="milliohms"),
        pytest.param("DC  2.989   W", id="unknown unit"),
        pytest.param("DC  2.989    ", id="no unit"),
        pytest.param("DC2.9891234 V", id="more than six characters of value"),
        pytest.param("DC  2.9.89  V", id="two points"),
        pytest.param("DC  2 989   V", id="a gap in the value"),
        pytest.param("DC  2.98O   V", id="a letter in the value"),
        pytest.param("DC --2.98   V", id="two signs"),
        pytest.param("DC+ 2.989   V", id="a plus"),
        pytest.param("DC  2.9892OLV", id="overload behind a number"),
        pytest.param("DC  2.989\xff  V", id="a damaged character"),
    ],
)
def test_what_is_no_reply_is_refused(text: str) -> None:
    laws.it_refuses(FORMAT, text.encode("latin-1") + b"\r", VOLTS_3, LISTEN)


@pytest.mark.parametrize(
    ("text", "display", "state"),
    [
        ("DC  0.000   V", "0.000", State.VALUE),
        ("DC-  1234  mV", "-1234", State.VALUE),
        ("DC  -1234  mV", "-1234", State.VALUE),
        ("DC-2.9890   V", "-2.9890", State.VALUE),
        ("DC2.989     V", "2.989", State.VALUE),
        ("DC    .55   V", ".55", State.VALUE),
        ("DC    55.   V", "55.", State.VALUE),
        ("DC     OL   V", "OL", State.OVERLOAD),
        ("DC-    OL   V", "-OL", State.OVERLOAD),
        ("OH     0LKOhm", "OL", State.OVERLOAD),
        ("OH    .OLMohm", "OL", State.OVERLOAD),
        ("DC   ----   V", "", State.BLANK),
        ("DC  --.--   V", "", State.BLANK),
        ("DC          V", "", State.BLANK),
    ],
)
def test_what_the_value_field_can_show(text: str, display: str, state: State) -> None:
    (reading,) = laws.readings(FORMAT, text.encode("ascii") + b"\r", LISTEN)
    assert (reading.display, reading.state) == (display, state)


@pytest.mark.parametrize(
    ("code", "unit", "scale", "name", "function"),
    [
        # DC, AC and ohms: the two sources above. The other codes and the spread of units: from memory.
        ("DC", "V", 0, "V", Function.DC_VOLTAGE),
        ("DC", "mV", -3, "V", Function.DC_VOLTAGE),
        ("AC", "MV", None, "", Function.OTHER),
        ("AC", "mV", -3, "V", Function.AC_VOLTAGE),
        ("DC", "A", 0, "A", Function.DC_CURRENT),
        ("DC", "mA", -3, "A", Function.DC_CURRENT),
        ("AC", "uA", -6, "A", Function.AC_CURRENT),
        ("  ", "Ohm", 0, "Ohm", Function.RESISTANCE),
        ("  ", "OHM", 0, "Ohm", Function.RESISTANCE),
        ("OH", "KOhm", 3, "Ohm", Function.RESISTANCE),
        ("OH", "kohm", 3, "Ohm", Function.RESISTANCE),
        ("OH", "Mohm", 6, "Ohm", Function.RESISTANCE),
        ("OH", "MOHM", 6, "Ohm", Function.RESISTANCE),
        ("OH", "mOhm", None, "", Function.OTHER),
        ("DI", "V", 0, "V", Function.DIODE),
        ("TE", "C", 0, "Cel", Function.TEMPERATURE),
        ("FR", "Hz", 0, "Hz", Function.FREQUENCY),
        ("FR", "kHz", 3, "Hz", Function.FREQUENCY),
        ("FR", "mHz", None, "", Function.OTHER),
        ("CA", "nF", -9, "F", Function.CAPACITANCE),
        ("CA", "uF", -6, "F", Function.CAPACITANCE),
    ],
)
def test_codes_and_units(code: str, unit: str, scale: int | None, name: str, function: Function) -> None:
    readings = laws.readings(FORMAT, f"{code}  1.000{unit:>4}\r".encode("ascii"), LISTEN)
    assert [(reading.scale, reading.unit, reading.function) for reading in readings] == (
        [] if scale is None else [(scale, name, function)]
    )


def test_it_asks_twice_a_second_at_most() -> None:
    session = FORMAT.decoder({})
    sent = []
    for ms in range(0, 3000, 10):
        if session.poll(at(ms)):
            sent.append(ms)
            assert session.feed(VOLTS_3, at(ms))
    assert sent == [0, 500, 1000, 1500, 2000, 2500]


@pytest.mark.parametrize(("options", "again"), [({}, 1000), ({"timeout": "2"}, 2000)])
def test_it_asks_again_when_no_reply_comes(options: dict[str, str], again: int) -> None:
    session = FORMAT.decoder(options)
    assert session.poll(at(0)) == b"D"
    assert session.poll(at(again - 1)) == b""
    assert session.poll(at(again)) == b"D"


def test_of_four_records_of_a_reply_only_the_first_is_taken() -> None:
    session = AsciiSession()
    assert session.poll(at(0)) == b"D"
    assert [reading.display for reading in session.feed(VOLTS_3 + FRAMES[3] * 3, at(470))] == ["2.989"]
    assert session.skipped == 3 * 14


def test_the_next_question_waits_until_the_reply_is_over() -> None:
    session = AsciiSession(2_000_000_000)
    assert session.poll(at(0)) == b"D"
    session.feed(VOLTS_3, at(250))
    session.feed(FRAMES[3], at(490))
    assert session.poll(at(600)) == b""  # at 600 baud a third record may still be on its way
    assert session.feed(FRAMES[3], at(680)) == []
    assert session.poll(at(870)) == b""
    assert session.poll(at(880)) == b"D"


def test_a_damaged_first_record_is_not_replaced_by_the_second() -> None:
    for damaged in (b"DC  2.9X9   V\r", b"DC  2.989989   V\r", b"DC  2.9   V\r"):
        session = AsciiSession()
        session.poll(at(0))
        assert session.feed(damaged + FRAMES[3], at(240)) == []
        assert session.poll(at(500)) == b"D"
        assert len(session.feed(VOLTS_3, at(620))) == 1


def test_what_was_not_asked_for_is_not_read() -> None:
    session = AsciiSession()
    assert session.feed(VOLTS_3, at(0)) == []
    assert session.skipped == 14


def test_half_a_reply_is_forgotten_with_the_next_question() -> None:
    session = AsciiSession()
    session.poll(at(0))
    session.feed(VOLTS_3[:7], at(100))
    assert session.poll(at(1000)) == b"D"
    assert session.feed(VOLTS_3[7:], at(1100)) == []
    assert session.skipped == 14


def test_options_are_checked() -> None:
    assert FORMAT.decoder(LISTEN).poll(NOW) == b""
    for options in ({"poll": "maybe"}, {"timeout": "0"}, {"timeout": "1e3"}, {"timeout": "nan"}, {"timeout": "x"}):
        with pytest.raises(UsageError, match="expected"):
            FORMAT.decoder(options)


def test_a_port_that_is_read_as_8n1_shows_the_same_once_its_second_stop_bit_is_taken_off() -> None:
    # 7N2 in the characters of 8N1: bit 7 is always set; the bytes as the 600 baud session would show them.
    seen = bytes(byte | 0x80 for byte in VOLTS_3)
    assert seen.startswith(bytes.fromhex("C4 C3 A0 A0 B2 AE B9 B8 B9 A0 A0 A0 D6"))
    assert laws.decode(FORMAT, seen, LISTEN) == []
    characters = SevenBits(FORMAT.line.parity).feed(seen * 2)
    assert [reading.display for reading in laws.readings(FORMAT, characters, LISTEN)] == ["2.989", "2.989"]


def test_the_line_is_7n2_with_the_cable_powered_from_dtr() -> None:
    # Mailing-list post of 2007-01-18: 1200 7N2, DTR high and RTS low.
    line = FORMAT.line
    assert (line.baud, line.bytesize, line.parity, line.stopbits, line.dtr, line.rts) == (1200, 7, "N", 2, True, False)
    assert FORMAT.polled
