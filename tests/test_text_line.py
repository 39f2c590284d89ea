"""Lines of text. Vectors: tests/data/frames.json (constructed; generic lines).

There is no standard for such lines: what is accepted and refused here is common practice, no source, unless it says
otherwise.
"""

import re
from collections.abc import Callable
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

import format_laws as laws
from frames import NOW, Vector, fields, vectors
from meterlink.errors import UsageError
from meterlink.reading import Flag, Function, Reading, State
from meterlink_drivers.formats.text_line import FORMAT, MAX_LINE

VECTORS = vectors("text-line")
LINES = [vector.data for vector in VECTORS]
FROM_START = {"from-start": "yes"}


def read(line: str | bytes, **options: str) -> list[Reading]:
    data = line if isinstance(line, bytes) else line.encode("utf-8")
    return laws.readings(FORMAT, data + b"\r\n", {**FROM_START, **options})


def shown(line: str | bytes, **options: str) -> str | None:
    """Return what a line shows as `NUMBER eSCALE UNIT FUNCTION FLAGS`; None where it is refused."""
    readings = read(line, **options)
    if not readings:
        return None
    (reading,) = readings
    scale = f" e{reading.scale}" if reading.scale else ""
    flags = "".join(f" {flag}" for flag in Flag if flag in reading.flags)
    return f"{reading.display}{scale} {reading.unit} {reading.function}{flags}"


@pytest.mark.parametrize("vector", VECTORS, ids=lambda vector: vector.shown)
def test_each_vector_decodes_to_what_the_line_says(vector: Vector) -> None:
    (reading,) = laws.readings(FORMAT, vector.data, FROM_START)
    assert fields(reading) == vector.expected
    assert reading.at == NOW
    assert vector.data in (reading.raw, reading.raw + b"\n")  # a line counts from its CR on, without waiting for an LF


@given(st.lists(st.sampled_from(LINES), max_size=6), st.data())
def test_any_split_gives_the_same_readings(lines: list[bytes], data: st.DataObject) -> None:
    stream = b"".join(lines)
    places = sorted(data.draw(st.lists(st.integers(0, len(stream)), max_size=8)))
    decoder = FORMAT.decoder(FROM_START)
    readings = [
        reading
        for start, end in pairwise([0, *places, len(stream)])
        for reading in decoder.feed(stream[start:end], NOW)
    ]
    assert readings == [reading for line in lines for reading in laws.decode(FORMAT, line, FROM_START)]
    assert len(readings) == len(lines)
    assert decoder.skipped == 0


@given(st.lists(st.tuples(st.binary(max_size=20), st.sampled_from(LINES)), max_size=5))
def test_broken_lines_cost_no_good_line(parts: list[tuple[bytes, bytes]]) -> None:
    decoder = FORMAT.decoder(FROM_START)
    for noise, line in parts:
        decoder.feed(noise + b"\n", NOW)
        assert len(decoder.feed(line, NOW)) == 1


@given(st.binary(max_size=600))
def test_what_is_held_is_bounded_and_what_is_skipped_is_counted(noise: bytes) -> None:
    decoder = FORMAT.decoder(FROM_START)
    decoded = sum(len(item.raw) for item in decoder.feed(noise, NOW))
    ends = sum(noise.count(end) for end in b"\r\n")  # the end of an empty line counts nowhere
    assert -ends <= len(noise) - decoded - decoder.skipped - ends <= MAX_LINE


def test_a_line_that_is_too_long_is_thrown_away_to_its_end() -> None:
    decoder = FORMAT.decoder(FROM_START)
    assert list(decoder.feed(b" " * 300 + b"24.06 V\r\n", NOW)) == []
    assert decoder.skipped == 308
    assert len(decoder.feed(b"24.06 V\r\n", NOW)) == 1


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r", "\n\n", "\r\r\n"])
def test_lines_end_with_lf_cr_lf_or_cr(end: str) -> None:
    readings = laws.readings(FORMAT, f"1 V{end}2 V{end}3 V".encode("ascii"), FROM_START)
    assert [reading.display for reading in readings] == ["1", "2"]  # the third has not ended


@given(st.integers(0, 10))
def test_the_tail_of_a_first_line_is_never_a_reading_unless_it_is_known_to_be_no_tail(cut: int) -> None:
    stream = b"-24.1 V DC\r\n5.00 V DC\r\n"[cut:]
    assert [item.display for item in FORMAT.decoder({}).feed(stream, NOW)] == ["5.00"]
    assert FORMAT.decoder({}).feed(b"24.1 V\r", NOW) == []


def test_after_a_lone_line_feed_the_first_line_is_whole() -> None:
    assert [item.display for item in FORMAT.decoder({}).feed(b"\n24.1 V DC\r\n", NOW)] == ["24.1"]


@pytest.mark.parametrize(
    ("line", "expected"),
    [
        # The decimal mark.
        ("24.06 V", "24.06 V voltage"),
        ("24,06 V", "24.06 V voltage"),
        ("1,234 V", "1.234 V voltage"),
        ("1.234,5 V", "1234.5 V voltage"),
        ("1,234.5 V", "1234.5 V voltage"),
        ("12,345,678.9 Hz", "12345678.9 Hz frequency"),
        (".5 V", ".5 V voltage"),
        ("5. V", "5. V voltage"),
        ("1.5E3 mV", "1500 e-3 V voltage"),
        ("1,234E-03 A", "0.001234 A current"),
        ("-1.5e+01 A", "-15 A current"),
        # Signs.
        ("+24.06 V", "24.06 V voltage"),
        ("- 1.5 V", "-1.5 V voltage"),
        ("\u22121.5 V", "-1.5 V voltage"),
        ("-;24.06;V", "-24.06 V voltage"),
        ("-OL V", "-OL V voltage"),
        ("- OL V", "-OL V voltage"),
        # Spaces.
        ("24.06\u00a0V", "24.06 V voltage"),
        ("24.06\u202fV DC", "24.06 V dc-voltage"),
        ("  24.06V", "24.06 V voltage"),
        ("24.06VDC", "24.06 V dc-voltage"),
        # Units and prefixes.
        ("24.1 mVDC", "24.1 e-3 V dc-voltage"),
        ("24.1 mV AC", "24.1 e-3 V ac-voltage"),
        ("24.1 mADC", "24.1 e-3 A dc-current"),
        ("5 mOhm", "5 e-3 Ohm resistance"),
        ("5 MOhm", "5 e6 Ohm resistance"),
        ("5 mHz", "5 e-3 Hz frequency"),
        ("5 MHz", "5 e6 Hz frequency"),
        ("5 kHz", "5 e3 Hz frequency"),
        ("5 KHZ", "5 e3 Hz frequency"),
        ("5 GOHM", "5 e9 Ohm resistance"),
        ("5 R", "5 Ohm resistance"),
        ("5 kR", "5 e3 Ohm resistance"),
        ("5 ohm", "5 Ohm resistance"),
        ("5 Ω", "5 Ohm resistance"),
        ("5 nF", "5 e-9 F capacitance"),
        ("5 pF", "5 e-12 F capacitance"),
        ("5 \u00b5F", "5 e-6 F capacitance"),
        ("5 \u03bcF", "5 e-6 F capacitance"),
        ("5 F", "5 F capacitance"),
        ("24 °C", "24 Cel temperature"),
        ("24 ° C", "24 Cel temperature"),
        ("24\u2103", "24 Cel temperature"),
        ("24 C", "24 Cel temperature"),
        ("75 °F", "75 degF temperature"),
        ("75 \u2109", "75 degF temperature"),
        ("50.0 %", "50.0 % duty"),
        ("50.0 Hz AC", "50.0 Hz frequency"),
        # Overload and no reading.
        *((f"{word} V", "OL V voltage") for word in ("OL", "0L", "O.L", "0.L", ".OL", "0L.", "OVER", "OVLD", "+++++")),
        ("+OL V", "OL V voltage"),
        ("-0.L kOhm", "-OL e3 Ohm resistance"),
        ("9.9E37 V", "OL V voltage"),  # SCPI-99 volume 1, 7.2.1
        ("-9.9E37 V", "-OL V voltage"),
        ("9.91E37 V", " V voltage"),
        *((f"{word} V", " V voltage") for word in ("----", "--.--", "NaN", "NAN", "--")),
        ("   V DC", " V dc-voltage"),
        ("10:00:01;;V;DC", " V dc-voltage"),
        ("10:00:01,,V,DC", " V dc-voltage"),
        # Words that change what the value means.
        ("24.06 V DC HOLD", "24.06 V dc-voltage hold"),
        ("24.06 V DC Hold REL min max PEAK AUTO", "24.06 V dc-voltage hold relative minimum maximum peak auto-range"),
        ("24.06 V LOW BATT", "24.06 V voltage low-battery"),
        ("24.06 V low bat", "24.06 V voltage low-battery"),
        ("24.06 V DC MANUAL", "24.06 V dc-voltage"),
        ("DC 24.06 V", "24.06 V dc-voltage"),
        ("0.551 V DIODE", "0.551 V diode"),
        ("0.3 Ohm CONT", "0.3 Ohm continuity"),
        # Times, dates, an index, separators.
        ("10:00 24.06 V", "24.06 V voltage"),
        ("10:00:01.5 PM 24.06 V", "24.06 V voltage"),
        ("2026-11-25T10:00:01.250Z;24,06;V", "24.06 V voltage"),
        ("2026-11-25T10:00:01+01:00 24.06 V", "24.06 V voltage"),
        ("25.11.2026 10:00:01 24,06 V", "24.06 V voltage"),
        ("11/25/26\t10:00:01\t24.06\tV", "24.06 V voltage"),
        ("24.06 V 10:00:01", "24.06 V voltage"),
        ("1;24,06;V;DC", "24.06 V dc-voltage"),
        ("#17;10:00:01;24,06;V;DC", "24.06 V dc-voltage"),
        ("7;----;V;DC", " V dc-voltage"),
        ("1,24.06,V,DC", "24.06 V dc-voltage"),
        ("10:00:01,24,V", "24 V voltage"),
        ("\ufeff24.06 V", "24.06 V voltage"),
    ],
)
def test_what_is_understood(line: str, expected: str) -> None:
    assert shown(line) == expected


@pytest.mark.parametrize(
    "line",
    [
        pytest.param("24.06", id="no unit"),
        pytest.param("1,234", id="no unit, and two ways to read it"),
        pytest.param("1.024,5", id="no unit, grouped"),
        pytest.param("22406", id="digits of a display-chip frame"),
        pytest.param("22406;00:", id="a display-chip frame"),
        pytest.param("0.L", id="overload without a unit"),
        pytest.param("24,06,V,DC", id="decimal comma torn apart"),
        pytest.param("10:00:01,24,06,V,DC", id="decimal comma torn apart behind a time"),
        pytest.param("1,240.6,V", id="an index, or a grouping comma"),
        pytest.param(",5 V", id="an empty field, or a decimal comma"),
        pytest.param("-,5 V", id="a sign and a decimal comma"),
        pytest.param("1\u202f234,5 V", id="digits grouped by a narrow space"),
        pytest.param("1 234.5 V", id="digits grouped by a space"),
        pytest.param("12,34.5 V", id="wrong grouping"),
        pytest.param("1.234.567 V", id="two points"),
        pytest.param("1,2.3,4 V", id="marks in turn"),
        pytest.param("2.5 V 50 Hz", id="two values"),
        pytest.param("12.5;24.06;V", id="two numbers"),
        pytest.param("7;;V;DC", id="an index and an empty value"),
        pytest.param("7 10:00:01      V DC", id="an index, a time and blank digits"),
        pytest.param("7;10:00:01;V;DC", id="an index, a time and no value"),
        pytest.param("24.06;;V", id="value and unit apart"),
        pytest.param("24.06 DC V", id="a word between value and unit"),
        pytest.param("V DC 24.06", id="unit in front"),
        pytest.param("24.06 V A", id="two units"),
        pytest.param("24.06 V DC AC", id="DC and AC"),
        pytest.param("24.06 V AC+DC", id="AC+DC"),
        pytest.param("24.06 Ohm DC", id="DC ohms"),
        pytest.param("24.06 A DIODE", id="diode in amperes"),
        pytest.param("0.5 V DIODE CONT", id="two modes"),
        pytest.param("24.06 V AVG", id="a word that changes the meaning"),
        pytest.param("24.06 V DC CH1", id="a channel that nobody named"),
        pytest.param("24.06 v", id="a unit in another case"),
        pytest.param("24.06 mm", id="an unknown unit"),
        pytest.param("24.06 k%", id="prefix and percent"),
        pytest.param("24.06 m °C", id="prefix and degrees"),
        pytest.param("24.06° V", id="degrees and volts"),
        pytest.param("--5 V", id="two signs"),
        pytest.param("- -5 V", id="two signs apart"),
        pytest.param("5- V", id="sign behind"),
        pytest.param("- V", id="a sign alone"),
        pytest.param("OL 5 V", id="overload and a number"),
        pytest.param("OVERLOAD V", id="an unknown spelling of overload"),
        pytest.param("ol V", id="overload in small letters"),
        pytest.param("1.5E400 V", id="three digits of exponent"),
        pytest.param("1.5 E3 V", id="exponent apart"),
        pytest.param("0x18 V", id="hexadecimal"),
        pytest.param("24.06 V\x00", id="a control character"),
        pytest.param("24.06\x1fV", id="a control character between"),
        pytest.param("24.06\u2003V", id="a space of another width"),
        pytest.param("1;24,V", id="two separators"),
        pytest.param("24.06 V ~", id="an unknown character"),
        pytest.param("24\u00b2 V", id="a superscript two"),
        pytest.param("24\u066b06 V", id="a decimal mark of another script"),
        pytest.param("2\u06634 V", id="a digit of another script"),
        pytest.param("Time;Value;Unit", id="a header"),
        pytest.param("No.,Date,Time,Value,Unit,AC/DC", id="a longer header"),
        pytest.param("V DC", id="words alone"),
        pytest.param("10:00:01", id="a time alone"),
        pytest.param("2026-11-25", id="a date alone"),
        pytest.param("25.11.2026 V", id="a date for a value"),
    ],
)
def test_what_can_mean_something_else_is_refused_and_counted(line: str) -> None:
    decoder = FORMAT.decoder(FROM_START)
    data = line.encode("utf-8") + b"\r\n"
    assert list(decoder.feed(data, NOW)) == []
    assert decoder.skipped == len(data) - 1  # all but the LF behind the CR
    assert [item.display for item in decoder.feed(b"24.06 V\r\n", NOW)] == ["24.06"]


@given(st.text(alphabet="0123456789.,;-+ \t:VmkACDOL%", max_size=24), st.sampled_from(["V", " mV DC", ";A", ",V", ""]))
def test_no_digit_is_ever_added_moved_or_left_out(value: str, unit: str) -> None:
    for reading in read(value + unit):
        if reading.state is State.VALUE:
            digits = re.sub(r"\D", "", reading.display)
            runs = re.findall(r"\d+", re.sub("[.,]", "", value))
            torn = re.findall(r"\d+", value.replace(".", ""))
            assert digits in runs or digits in torn
            assert "-" in value or not reading.display.startswith("-")


@given(
    st.sampled_from(["-", "\u2212"]),
    st.sampled_from(["", " ", "  ", "\u00a0", "\t", ";", " ; "]),
    st.from_regex(r"[0-9]{1,4}\.[0-9]{1,3}", fullmatch=True),
)
def test_a_minus_is_never_lost(minus: str, between: str, number: str) -> None:
    (reading,) = read(f"10:00:01 {minus}{between}{number} V DC")
    assert reading.display == f"-{number}"


@pytest.mark.parametrize("prefix", ["p", "n", "u", "m", "k", "K", "M", "G"])
@pytest.mark.parametrize("unit", ["V", "A", "Ohm", "Hz", "F"])
def test_a_prefix_is_worth_what_si_says_and_case_counts(prefix: str, unit: str) -> None:
    # SI prefixes; K for kilo is common practice, no source.
    (reading,) = read(f"1.5 {prefix}{unit}")
    powers = {"p": -12, "n": -9, "u": -6, "m": -3, "k": 3, "K": 3, "M": 6, "G": 9}
    assert (reading.scale, reading.unit) == (powers[prefix], unit)


@pytest.mark.parametrize(
    ("line", "options", "expected"),
    [
        ("24.06", {"unit": "V"}, "24.06 V voltage"),
        ("24.06 DC", {"unit": "mV"}, "24.06 e-3 V dc-voltage"),
        ("24.06", {"unit": "mV", "coupling": "dc"}, "24.06 e-3 V dc-voltage"),
        ("24.06", {"unit": "kΩ"}, "24.06 e3 Ohm resistance"),
        ("24.06 A", {"unit": "V"}, "24.06 A current"),
        ("OL", {"unit": "Ohm"}, "OL Ohm resistance"),
        ("1,234", {"unit": "V"}, None),
        ("24,06", {"unit": "V"}, "24.06 V voltage"),
        ("1,234", {"unit": "V", "decimal": ","}, "1.234 V voltage"),
        ("1,234", {"unit": "V", "decimal": "."}, "1234 V voltage"),
        ("1,234 V", {"decimal": "."}, "1234 V voltage"),
        ("24,06 V", {"decimal": "."}, None),
        ("24.06 V", {"decimal": ","}, None),
        ("1.234,5 V", {"decimal": "."}, None),
        ("1,240.6,V", {"decimal": "."}, "240.6 V voltage"),
        ("24.06 V", {"coupling": "dc"}, "24.06 V dc-voltage"),
        ("24.06 V AC", {"coupling": "dc"}, "24.06 V ac-voltage"),
        ("24.06 A", {"coupling": "ac"}, "24.06 A ac-current"),
        ("24.06 Ohm", {"coupling": "dc"}, "24.06 Ohm resistance"),
        ("CH1 24.06 V", {"channel": "CH1"}, "24.06 V voltage"),
        ("10:00:01;CH1;24,06;V", {"channel": "CH1"}, "24.06 V voltage"),
        ("7;CH1;V", {"channel": "CH1"}, None),
        ("CH2 24.06 V", {"channel": "CH1"}, None),
        ("24.06 V", {"channel": "CH1"}, None),
        ("", {"unit": "V"}, None),
        ("HOLD", {"unit": "V"}, None),
    ],
)
def test_options_settle_what_a_line_leaves_open(line: str, options: dict[str, str], expected: str | None) -> None:
    assert shown(line, **options) == expected


def test_volts_of_unknown_coupling_never_satisfy_a_step() -> None:
    (reading,) = read("24.06 V")
    assert (reading.function, reading.function.judged) == (Function.VOLTAGE, False)


@pytest.mark.parametrize(
    ("line", "expected"),
    [
        (b"-1.5 \xb5A", "-1.5 e-6 A current"),
        (b"23.5 \xb0C", "23.5 Cel temperature"),
        (b"24 \xb0C", "24 Cel temperature"),
        (b"24.06\xa0V", "24.06 V voltage"),
        ("24 °C".encode(), "24 Cel temperature"),
    ],
)
def test_latin_1_is_read_where_a_line_is_no_utf_8(line: bytes, expected: str) -> None:
    assert shown(line) == expected


def test_encodings_may_change_from_line_to_line() -> None:
    stream = b"1 \xb5A\n" + "2 µA\n".encode() + b"3 uA\n"
    assert [reading.display for reading in laws.readings(FORMAT, stream, FROM_START)] == ["1", "2", "3"]


def odd(text: str) -> bytes:
    return bytes(byte | 0x80 if byte.bit_count() % 2 == 0 else byte for byte in text.encode("ascii"))


def even(text: str) -> bytes:
    return bytes(byte | 0x80 if byte.bit_count() % 2 else byte for byte in text.encode("ascii"))


def test_the_published_line_with_its_parity_left_in_gives_no_reading() -> None:
    # +0024.1 V DC CR LF at 7O1, as an 8N1 port hands it over.
    data = bytes.fromhex("ab b0 b0 32 34 ae 31 20 d6 20 c4 43 0d 8a")
    assert odd("+0024.1 V DC\r\n") == data
    assert laws.decode(FORMAT, data * 5, FROM_START) == []


NUMBERS = st.from_regex(r"-?[0-9]{1,4}(\.[0-9]{1,3})?", fullmatch=True)


@given(
    NUMBERS,
    st.sampled_from([" V DC", " mV", "C", " C", " F", "uF", " A", " kOhm", " Hz", "%", " MOhm HOLD"]),
    st.sampled_from([odd, even]),
    st.sampled_from(["\r", "\n", "\r\n"]),
)
def test_a_line_with_its_parity_left_in_never_shows_another_number(
    number: str, unit: str, encode: Callable[[str], bytes], end: str
) -> None:
    true = laws.readings(FORMAT, f"{number}{unit}{end}".encode("ascii"), FROM_START)
    for reading in laws.readings(FORMAT, encode(f"{number}{unit}{end}") * 3, FROM_START):
        assert (reading.display, reading.scale, reading.unit) == (true[0].display, true[0].scale, true[0].unit)


def test_a_line_that_may_be_odd_parity_waits_for_its_line_feed() -> None:
    assert odd("240 C\r\n") == b"24\xb0 C\r\x8a"
    decoder = FORMAT.decoder(FROM_START)
    assert list(decoder.feed(b"24\xb0 C\r", NOW)) == []
    assert list(decoder.feed(b"\x8a", NOW)) == []
    assert decoder.skipped == 6
    decoder = FORMAT.decoder(FROM_START)
    assert list(decoder.feed(b"24 \xb0C\r", NOW)) == []
    assert [item.display for item in decoder.feed(b"\n", NOW)] == ["24"]


def test_damage_never_turns_blank_or_overload_into_a_number() -> None:
    for line in ("OL V", "---- V", "NaN V", "   V"):
        for reading in read(line):
            assert reading.state is not State.VALUE


@pytest.mark.parametrize(
    "options",
    [{"decimal": ";"}, {"unit": "volts"}, {"coupling": "AC"}, {"from-start": "maybe"}],
)
def test_wrong_options_are_refused(options: dict[str, str]) -> None:
    with pytest.raises(UsageError, match="expected"):
        FORMAT.decoder(options)


def test_it_never_asks() -> None:
    laws.it_never_asks(FORMAT)
