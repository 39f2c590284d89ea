"""SCPI's text. Vectors: tests/data/frames.json. Number forms: IEEE 488.2 clause 8.7; special values: SCPI-99 7.2.1."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from frames import NOW, Vector, fields, vectors
from meterlink.driver import Notice
from meterlink.errors import UsageError
from meterlink.reading import Function, Reading
from meterlink_drivers.formats.scpi_line import FORMAT, ScpiListener
from meterlink_drivers.formats.scpi_text import MAX_LINE, LineSplitter, Number, Selected, parse_reply

VECTORS = vectors("scpi-line")


def listen(*pieces: bytes) -> list[Reading | Notice]:
    listener = ScpiListener(Function.DC_VOLTAGE)
    return [item for piece in pieces for item in listener.feed(piece, NOW)]


@pytest.mark.parametrize("vector", VECTORS, ids=lambda vector: vector.shown)
def test_each_vector_decodes(vector: Vector) -> None:
    assert [fields(item) for item in listen(vector.data)] == [vector.expected]


@pytest.mark.parametrize("end", [b"\n", b"\r\n", b"\r"])
def test_all_vectors_in_one_stream_byte_by_byte(end: bytes) -> None:
    stream = b"".join(vector.data.rstrip() + end for vector in VECTORS)
    items = listen(*(bytes([byte]) for byte in stream))
    assert [fields(item) for item in items] == [vector.expected for vector in VECTORS]


@given(st.data())
def test_any_split_gives_the_same_items(data: st.DataObject) -> None:
    stream = b"".join(vector.data for vector in VECTORS)
    cut = data.draw(st.integers(0, len(stream)))
    assert listen(stream[:cut], stream[cut:]) == listen(stream)


@pytest.mark.parametrize(
    ("text", "display"),
    [
        (b"+10000", "10000"),
        (b"-100", "-100"),
        (b"3.4567", "3.4567"),
        (b"-.00002", "-0.00002"),
        (b"4.5e-1", "0.45"),
        (b"+2.40612000E+01", "24.0612000"),
        (b"-1.23000000E-03", "-0.00123000000"),
        (b"+9.90000000E+37", "OL"),
        (b"-9.9E37", "-OL"),
        (b"9.91E37", ""),
        (b"+9.91000000E+37", ""),
        (b"9.8E37", "98000000000000000000000000000000000000"),
    ],
)
def test_numbers_keep_every_digit(text: bytes, display: str) -> None:
    assert parse_reply(text) == Number(display)


@pytest.mark.parametrize("number", [b"+2.40612000E+01", b"-113", b"12.5", b"4.5e-1"])
@given(data=st.data())
def test_one_character_that_no_number_has_refuses_the_line(number: bytes, data: st.DataObject) -> None:
    place = data.draw(st.integers(0, len(number)))
    strange = data.draw(st.integers(0, 255).filter(lambda byte: byte not in b"0123456789+-.eE"))
    assert not isinstance(parse_reply(number[:place] + bytes([strange]) + number[place:]), Number)
    assert not isinstance(parse_reply(number[:place] + bytes([strange]) + number[place + 1 :]), Number)


@pytest.mark.parametrize(
    "text", [b"", b"+", b".", b"E5", b"1E", b"1.2.3", b"1-2", b"--1", b"1,2", b"NAN", b"1_0", b" 1"]
)
def test_what_is_no_number_is_refused(text: bytes) -> None:
    assert parse_reply(text) is None


@pytest.mark.parametrize(
    ("name", "function"),
    [
        ("VOLT", Function.DC_VOLTAGE),
        ("VOLT:DC", Function.DC_VOLTAGE),
        ("VOLTage:AC", Function.AC_VOLTAGE),
        ("RES", Function.RESISTANCE),
        ("FRESistance", Function.RESISTANCE),
        ("CURR:DC", Function.DC_CURRENT),
        ("CURRent:AC", Function.AC_CURRENT),
        ("FREQ", Function.FREQUENCY),
        ("CAP", Function.CAPACITANCE),
        ("TEMP", Function.TEMPERATURE),
        ("CONT", Function.CONTINUITY),
        ("DIODe", Function.DIODE),
        ("VOLT:DC:RAT", None),
        ("PER", None),
    ],
)
def test_functions_by_short_and_long_name(name: str, function: Function | None) -> None:
    assert parse_reply(f'"{name}"'.encode()) == Selected(function)


def test_numbers_take_the_function_told_last() -> None:
    items = listen(b'1.5\n"RES"\n2.5\n"PER"\n3.5\n"CURR:AC"\n4.5\n')
    assert [(item.display, item.function) for item in items if isinstance(item, Reading)] == [
        ("1.5", Function.DC_VOLTAGE),
        ("2.5", Function.RESISTANCE),
        ("4.5", Function.AC_CURRENT),
    ]


def test_an_error_text_keeps_its_quotes() -> None:
    (entry,) = listen(b'-222,"Data ""x"" out of range"\r\n')
    assert entry == Notice("error", "-222", 'Data "x" out of range', NOW, b'-222,"Data ""x"" out of range"\r')


def test_an_identity_is_kept() -> None:
    listener = ScpiListener(Function.DC_VOLTAGE)
    assert listener.feed(b"DEMO,BENCH METER,0,1.0\n", NOW) == []
    assert listener.identity == "DEMO,BENCH METER,0,1.0"


def test_a_line_without_end_is_bounded_and_the_next_one_counts() -> None:
    splitter = LineSplitter()
    assert splitter.feed(b"1" * (MAX_LINE + 50)) == []
    assert splitter.feed(b"1\r\n2.5\r\n") == [b"2.5\r"]
    assert splitter.skipped == MAX_LINE + 51


def test_a_line_of_the_greatest_length_still_counts() -> None:
    assert LineSplitter().feed(b"1" * MAX_LINE + b"\n") == [b"1" * MAX_LINE + b"\n"]


@given(st.binary(max_size=400))
def test_noise_is_counted_and_never_crashes(noise: bytes) -> None:
    listener = ScpiListener(Function.DC_VOLTAGE)
    decoded = sum(len(item.raw) for item in listener.feed(noise, NOW))
    assert decoded + listener.skipped <= len(noise)


@pytest.mark.parametrize("options", [{"function": "volts"}, {"poll": "maybe"}])
def test_options_are_checked(options: dict[str, str]) -> None:
    with pytest.raises(UsageError, match="expected"):
        FORMAT.decoder(options)


def test_without_polling_it_never_asks() -> None:
    assert FORMAT.decoder({"poll": "off"}).poll(NOW) == b""
