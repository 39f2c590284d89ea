"""What the language of described formats can say, each part on a small invented frame."""

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from frames import NOW
from meterlink.described.bits import Coding, parse_pattern, parse_place, parse_values
from meterlink.described.checksum import CHECKSUMS
from meterlink.described.parse import parse_description
from meterlink.driver import Format, GattPlace
from meterlink.procedure.problem import ProcedureError
from meterlink.reading import Flag, Function, Instant, Reading

HEAD = "format: sample\nsummary: invented\nsource: this test\n"
VOLTS = "functions: [{function: dc-voltage}]\n"


def wire(text: str) -> Format:
    return parse_description(HEAD + text, "sample.yaml")


def read(text: str, *frames: str) -> list[Reading]:
    items = wire(text).decoder({}).feed(bytes.fromhex("".join(frames)), NOW)
    return [item for item in items if isinstance(item, Reading)]


def shown(text: str, *frames: str) -> list[str]:
    return [item.display for item in read(text, *frames)]


@pytest.mark.parametrize(
    ("text", "bits"),
    [
        ("1", [8, 9, 10, 11, 12, 13, 14, 15]),
        ("0.7", [0]),
        ("0.0", [7]),
        ("1.3-0", [12, 13, 14, 15]),
        ("1.0-3", [15, 14, 13, 12]),
        ("1-0", [8, 9, 10, 11, 12, 13, 14, 15, 0, 1, 2, 3, 4, 5, 6, 7]),
        ("1.1-0 0.7-6", [14, 15, 0, 1]),
        ("signed 0", [0, 1, 2, 3, 4, 5, 6, 7]),
    ],
)
def test_a_place_names_bits_the_most_significant_first(text: str, bits: list[int]) -> None:
    assert list(parse_place(text).bits) == bits


@pytest.mark.parametrize(
    "text", ["", "signed", "x", "1.8", "1-", "64", "0 0.7", "1.2-0 1.0", "bcd 0.2-0", "text 0.7", "٣"]
)
def test_what_is_no_place_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="place"):
        parse_place(text)


def test_values_are_numbers_spans_or_text() -> None:
    assert parse_values(["1", "0x0A..0x0C"], parse_place("0")) == {1, 10, 11, 12}
    assert parse_values(["A4"], parse_place("text 0-1")) == {0x4134}
    assert parse_place("bcd 0").coding is Coding.BCD


@pytest.mark.parametrize("text", ["256", "0x100", "3..1", "-1", "x", "", "1..", "0x"])
def test_values_must_fit_their_place(text: str) -> None:
    with pytest.raises(ValueError, match=r"expected|hold at most|comes first"):
        parse_values([text], parse_place("0"))


def test_a_pattern_says_what_each_byte_may_be() -> None:
    assert [set(allowed) for allowed in parse_pattern("02 a? ?F ??")] == [
        {0x02},
        set(range(0xA0, 0xB0)),
        {high << 4 | 15 for high in range(16)},
        set(range(256)),
    ]


@pytest.mark.parametrize(
    ("name", "check"),
    [
        # The check values over "123456789" of the catalogue of parametrised CRC algorithms (from memory): MODBUS,
        # XMODEM and ISO-HDLC, the last also as zlib prints it; the sums are worked out by hand: 9 * 0x30 + 45 = 0x1DD.
        ("crc16-modbus", 0x4B37),
        ("crc16-xmodem", 0x31C3),
        ("crc32", 0xCBF43926),
        ("sum8", 0xDD),
        ("sum16", 0x01DD),
        ("negated-sum8", 0x23),
        ("xor8", 0x31),
    ],
)
def test_checksums_have_their_published_check_values(name: str, check: int) -> None:
    width, work_out = CHECKSUMS[name]
    assert work_out(b"123456789") == check
    assert check >> width == 0


def test_every_checksum_is_tested() -> None:
    assert len(CHECKSUMS) == 7


def test_a_checksum_stands_in_the_order_of_its_place() -> None:
    # 01 04 02 00 0A with the sum 39 37, low byte first: an example of the Modbus specification (from memory).
    text = (
        "frame: 01 04 02 ?? ?? ?? ??\nchecksum: {kind: crc16-modbus, over: 0-4, at: 6-5}\nnumber: {at: 3-4}\n" + VOLTS
    )
    assert shown(text, "01 04 02 00 0A 39 37") == ["10"]
    assert shown(text, "01 04 02 00 0A 39 36", "01 04 02 00 0B 39 37") == []


def test_a_constant_may_be_added_to_a_checksum() -> None:
    text = "frame: AA ?? ??\nchecksum: {kind: sum8, over: 1, at: 2, add: 0x20}\nnumber: {at: 1}\n" + VOLTS
    assert shown(text, "AA 01 21", "AA 01 20", "AA FF 1F") == ["1", "255"]


@pytest.mark.parametrize(
    ("place", "frame", "display"),
    [
        ("1-2", "AA 01 02", "258"),
        ("2-1", "AA 01 02", "513"),
        ("signed 1-2", "AA FF FE", "-2"),
        ("signed 2-1", "AA 00 80", "-32768"),
        ("signed 1.3-0 2", "AA 0F FF", "-1"),
        ("signed 1.3-0 2", "AA 07 FF", "2047"),
        ("bcd 1-2", "AA 12 34", "1234"),
        ("bcd 2-1", "AA 12 34", "3412"),
        ("text 1-2", "AA 34 32", "42"),
        ("1.4-7", "AA 10 00", "8"),
    ],
)
def test_numbers_are_read_as_their_place_says(place: str, frame: str, display: str) -> None:
    assert shown(f"frame: AA ?? ??\nnumber: {{at: {place}}}\n{VOLTS}", frame) == [display]


@pytest.mark.parametrize(
    ("place", "frame"), [("bcd 1-2", "AA 1A 34"), ("text 1-2", "AA 34 3A"), ("text 1-2", "AA B2 31")]
)
def test_what_is_no_number_in_its_coding_is_refused(place: str, frame: str) -> None:
    assert shown(f"frame: AA ?? ??\nnumber: {{at: {place}}}\n{VOLTS}", frame) == []


def test_a_sign_of_its_own_and_a_magnitude() -> None:
    text = "frame: AA ?? ??\nnumber: {at: 1.6-0 2}\nminus: 1.7\nfunctions: [{function: dc-voltage, decimals: 2}]\n"
    assert shown(text, "AA 00 05", "AA 80 05", "AA 89 66", "AA 80 00") == ["0.05", "-0.05", "-24.06", "-0.00"]


def test_a_count_that_is_no_power_of_ten_keeps_its_step() -> None:
    # 1/64 V a count: the Bluetooth Voltage characteristic, GATT Specification Supplement.
    (reading,) = read(f"frame: ?? ?? 55\nnumber: {{at: 1-0, times: 0.015625}}\n{VOLTS}", "04 06 55")
    assert (reading.display, reading.step) == ("24.0625", Decimal("0.015625"))


@given(st.integers(0, 2**32 - 1), st.integers(1, 999_999_999))
def test_a_product_is_exact(count: int, times: int) -> None:
    text = f"frame: AA ?? ?? ?? ??\nnumber: {{at: 1-4, times: 0.{times:09d}}}\n{VOLTS}"
    (reading,) = read(text, f"AA {count:08X}")
    assert reading.value == Decimal(count * times).scaleb(-9)


def test_digits_have_glyphs_and_points_have_lamps() -> None:
    text = """\
frame: 5? ?? ?? ??
digits: {at: [1, 2, 3], glyphs: {0x30..0x39: "0123456789", 0x3A: L, 0x3B: "- "}}
point: {lamps: {2: 0.0, 1: 0.1}}
minus: 0.2
"""
    table = text.replace('0x3B: "- "', '0x3B: "-", 0x3C: " "') + VOLTS
    assert shown(table, "50 31 32 33", "51 31 32 33", "52 3C 32 33", "56 31 32 33") == ["123", "1.23", "2.3", "-12.3"]
    assert shown(table, "50 3C 3A 3C", "54 3C 3A 30", "50 3B 3B 3B", "50 3C 3C 3C") == ["OL", "-OL", "", ""]
    assert shown(table, "53 31 32 33", "50 3B 31 32", "50 31 3C 32", "50 3A 3A 30", "50 3D 31 32") == []
    with pytest.raises(ProcedureError, match="0x3B: 1 values, but 2 characters '- '"):
        wire(text + VOLTS)


def test_a_table_tells_the_point_the_prefix_and_the_function() -> None:
    text = """\
frame: 5? ?? ??
fields: {dial: 0.3-2, shift: 1.7-6, unit: 1.5-4}
digits: {at: [2.7-4, 2.3-0], glyphs: {0..9: "0123456789"}, zeros: drop}
point: {at: shift, decimals: {0: 0, 1: 1}}
prefix: {at: unit, table: {0: none, 1: m, 2: k}}
functions:
  - {when: {dial: 0}, function: dc-voltage, prefixes: [none, m]}
  - {when: {dial: [1, 2], 0.0: 1}, function: resistance, prefixes: [none, k]}
flags: {hold: [0.1, 1.0]}
"""
    assert [(item.display, item.scale, item.function) for item in read(text, "50 50 07", "55 20 40", "59 00 08")] == [
        ("0.7", -3, Function.DC_VOLTAGE),
        ("40", 3, Function.RESISTANCE),
        ("8", 0, Function.RESISTANCE),
    ]
    assert shown(text, "50 20 07", "55 10 07", "54 00 07", "50 80 07", "50 30 07", "5C 00 07") == []
    assert [item.flags for item in read(text, "52 00 07", "50 01 07")] == [{Flag.HOLD}, {Flag.HOLD}]


def test_what_is_required_or_refused_decides_on_the_whole_frame() -> None:
    text = """\
frame: AA ?? ??
number: {at: 2}
require: {1.7-4: [1, 2], 2 1: 0x0010..0x6320}
refuse: [{1: 0x20, 2: 7}, 1.0]
"""
    assert shown(text + VOLTS, "AA 10 01", "AA 20 08") == ["1", "8"]
    assert shown(text + VOLTS, "AA 30 01", "AA 20 07", "AA 11 01", "AA 20 64") == []


def test_no_value_goes_before_overload() -> None:
    text = "frame: AA ?? ??\nnumber: {at: 1}\noverload: 2.0\nblank: [2.1, {2.7-4: 15}]\nminus: 2.2\n" + VOLTS
    assert shown(text, "AA 01 01", "AA 01 05", "AA 01 02", "AA 01 03", "AA 01 F1", "AA 01 00") == [
        *("OL", "-OL", "", "", "", "1")
    ]


def test_a_scrambled_frame_is_described_unscrambled_and_kept_as_it_came() -> None:
    text = "frame: AA ?? ??\nxor: FF 0F F0\nnumber: {at: 1}\nrequire: {2: 0}\n" + VOLTS
    (reading,) = read(text, "55 0E F0")
    assert (reading.display, reading.raw) == ("1", bytes.fromhex("55 0E F0"))
    assert shown(text, "AA 01 00", "55 0E F1") == []


def test_a_good_frame_that_begins_inside_a_bad_one_is_found() -> None:
    text = "frame: AA ?? AA ?? 55\nnumber: {at: 1}\nrequire: {3: 1}\n" + VOLTS
    assert shown(text, "AA 07", "AA 08 AA 01 55") == ["8"]
    assert shown(text, "AA AA AA", "AA 08 AA 01 55") == ["8"]


def test_a_begun_frame_ends_with_a_silence() -> None:
    decoder = wire("frame: A? ??\ngap_ms: 50\nnumber: {at: 1}\n" + VOLTS).decoder({})
    at_ms = [(b"\xa0", 0), (b"\x07", 50), (b"\xa0", 100), (b"\x08", 151), (b"\xa0\x09", 151)]
    items = [item for data, ms in at_ms for item in decoder.feed(data, Instant(ms * 1_000_000, 0))]
    assert [item.display for item in items] == ["7", "9"]
    assert decoder.skipped == 2


def test_the_end_of_something_longer_is_no_frame() -> None:
    text = "frame: 3? 3? 0D\nnever_after: 3?\nnumber: {at: text 0-1}\n" + VOLTS
    assert shown(text, "34 32 0D", "33 34 32 0D", "0D 34 31 0D") == ["42", "41"]


def test_a_stream_of_another_chip_is_refused_until_it_is_ours_again() -> None:
    text = "frame: 1? 2?\nforeign_tail: 3?\nnumber: {at: 0.3-0 1.3-0}\n" + VOLTS
    assert shown(text, "11 22", "11 23 31", "11 24 31", "11 25", "11 26") == ["18", "19", "22"]


def test_all_of_the_line_reaches_the_format() -> None:
    uuid = "0000FFF0-0000-1000-8000-00805F9B34FB"
    text = f"""\
frame: AA ??
number: {{at: 1}}
confidence: high
look_alikes: [other-format]
line: {{baud: 19230, bytesize: 7, parity: O, stopbits: 2, dtr: false, rts: true}}
gatt: {{service: {uuid}, notify: {uuid}}}
"""
    made = wire(text + VOLTS)
    line = made.line
    assert (line.baud, line.bytesize, line.parity, line.stopbits, line.dtr, line.rts) == (19230, 7, "O", 2, False, True)
    assert line.gatt == GattPlace(uuid.lower(), uuid.lower())
    assert (made.name, made.summary, made.source) == ("sample", "invented", "this test")
    assert (made.look_alikes, made.experimental, made.polled) == (("other-format",), False, False)


def test_without_a_word_on_it_a_description_is_from_memory() -> None:
    assert wire("frame: AA ??\nnumber: {at: 1}\n" + VOLTS).experimental
