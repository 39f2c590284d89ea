"""Modbus RTU. Vectors: tests/data/frames.json, each with its source (Modbus Application Protocol V1.1b3; Modbus over
Serial Line V1.02).
"""

import re
import struct
from decimal import Decimal
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

import format_laws as laws
from format_laws import Cut
from frames import NOW, Vector, vectors
from meterlink.driver import Decoder, Notice
from meterlink.errors import UsageError
from meterlink.reading import Function, Instant, Reading, State
from meterlink_drivers.formats.modbus_frames import BusReader, Kind, request
from meterlink_drivers.formats.modbus_registers import Entry, Type, WordOrder
from meterlink_drivers.formats.modbus_rtu import FORMAT, ModbusListener, ModbusSession

VECTORS = vectors("modbus-rtu")
FRAMES = [vector.data for vector in VECTORS]
LISTEN = {"poll": "off"}
VOLTS_24 = bytes.fromhex("01 04 04 41 C0 80 00 8E 44")
ASK_READ = bytes.fromhex("01 03 00 6B 00 03 74 17")
THREE = bytes.fromhex("01 03 06 02 2B 00 00 00 64 05 7A")


def at(ms: int) -> Instant:
    return Instant(ms * 1_000_000, 0)


def options(vector: Vector) -> dict[str, str]:
    """Return the options that a vector needs: the order of the bytes, where it is not the default."""
    order = re.search(r"\b(CDAB|BADC|DCBA)\b", vector.shown)
    return {**LISTEN, "word-order": order[1]} if order else LISTEN


def crc(data: bytes) -> bytes:
    """CRC-16 as Modbus over Serial Line V1.02, 2.5.1, describes it, bit by bit; low byte first."""
    value = 0xFFFF
    for byte in data:
        value ^= byte
        for _ in range(8):
            value = value >> 1 ^ (0xA001 if value & 1 else 0)
    return value.to_bytes(2, "little")


def frame(text: str) -> bytes:
    """Return the bytes that hex text names, with their CRC."""
    data = bytes.fromhex(text)
    return data + crc(data)


def registers(*contents: int, function: int = 4, address: int = 1) -> bytes:
    """Return a response that carries registers."""
    data = bytes([address, function, 2 * len(contents)]) + struct.pack(f">{len(contents)}H", *contents)
    return data + crc(data)


def floats(number: float, **kwargs: int) -> bytes:
    return registers(*struct.unpack(">HH", struct.pack(">f", number)), **kwargs)


def shown(decoder: Decoder, data: bytes, now: Instant = NOW) -> list[str]:
    return [
        f"{item.display} {item.unit}" if isinstance(item, Reading) else f"{item.kind} {item.display}"
        for item in decoder.feed(data, now)
    ]


@pytest.mark.parametrize("vector", VECTORS, ids=lambda vector: vector.shown)
def test_each_vector_decodes_to_what_it_says(vector: Vector) -> None:
    laws.the_vector_decodes(FORMAT, vector, options(vector))
    laws.an_item_comes_with_the_last_byte(FORMAT, vector.data, options(vector))


@given(laws.cuts(FRAMES))
def test_any_split_gives_the_same_items(cut: Cut) -> None:
    laws.splits_change_nothing(FORMAT, cut, LISTEN)


def spurious(stream: bytes) -> bool:
    """Tell whether a stream holds a frame by chance, which nothing can tell from a real one."""
    return bool(BusReader().feed(stream, NOW))


@given(st.lists(st.tuples(st.binary(max_size=20), st.sampled_from(FRAMES)), max_size=5), st.binary(max_size=20))
def test_garbage_before_between_and_after_costs_no_frame(parts: list[tuple[bytes, bytes]], tail: bytes) -> None:
    clean = [(b"" if spurious(noise) else noise, data) for noise, data in parts]
    laws.noise_costs_no_frame(FORMAT, clean, b"" if spurious(tail) else tail, LISTEN)


@given(st.sampled_from(FRAMES), st.data(), st.sampled_from(FRAMES))
def test_a_damaged_byte_costs_its_frame_and_no_other(damaged: bytes, data: st.DataObject, good: bytes) -> None:
    # A CRC of 16 bits finds every burst of 16 bits or less; so one changed byte is always found.
    place = data.draw(st.integers(0, len(damaged) - 1))
    change = data.draw(st.integers(1, 255))
    broken = damaged[:place] + bytes([damaged[place] ^ change]) + damaged[place + 1 :]
    if not spurious(broken):
        laws.the_next_good_frame_decodes(FORMAT, broken, good, LISTEN)
    assert broken not in [item.raw for item in laws.decode(FORMAT, broken, LISTEN)]


@given(st.binary(max_size=600))
def test_every_byte_is_skipped_decoded_or_held(noise: bytes) -> None:
    laws.every_byte_is_accounted_for(FORMAT, noise, 256, LISTEN)


@given(st.binary(max_size=600), st.data())
def test_any_split_of_anything_gives_the_same_items(noise: bytes, data: st.DataObject) -> None:
    stream = noise + VOLTS_24 + noise[::-1]
    places = sorted(data.draw(st.lists(st.integers(0, len(stream)), max_size=8)))
    decoder = FORMAT.decoder(LISTEN)
    chunks = [stream[start:end] for start, end in pairwise([0, *places, len(stream)])]
    assert [item for chunk in chunks for item in decoder.feed(chunk, NOW)] == laws.decode(FORMAT, stream, LISTEN)


@pytest.mark.parametrize(
    "data",
    [
        pytest.param(bytes.fromhex("01 04 04 41 C0 80 00 8E 45"), id="bad CRC"),
        pytest.param(VOLTS_24[:-1], id="cut"),
        pytest.param(frame("01 04 03 41 C0 80"), id="odd byte count"),
        pytest.param(frame("01 04 00"), id="no registers"),
        pytest.param(frame("01 04 00 00 00 00"), id="request for no registers"),
        pytest.param(frame("01 04 00 00 00 7E"), id="request for more than 125"),
        pytest.param(frame("00 04 04 41 C0 80 00"), id="answer from the broadcast address"),
        pytest.param(frame("F8 04 04 41 C0 80 00"), id="address above 247"),
        pytest.param(frame("01 83 00"), id="exception 0"),
        pytest.param(frame("01 83 63"), id="unknown exception"),
        pytest.param(frame("01 5A 04 41 C0 80 00"), id="unknown function"),
    ],
)
def test_what_is_no_frame_is_refused(data: bytes) -> None:
    laws.it_refuses(FORMAT, data, VOLTS_24, LISTEN)


def test_the_crc_of_the_specification() -> None:
    # Modbus over Serial Line V1.02, CRC appendix: address 2, function 7 gives 0x1241, sent 41 12.
    assert crc(b"\x02\x07").hex(" ") == "41 12"
    assert request(1, 3, 0x6B, 3) == ASK_READ  # Modbus Application Protocol V1.1b3, 6.3


@pytest.mark.parametrize(
    ("data", "text"),
    [
        (ASK_READ, "address 1, function 3: read 3 holding registers from 107"),
        (frame("11 04 00 08 00 01"), "address 17, function 4: read 1 input registers from 8"),
        (bytes.fromhex("01 83 02 C0 F1"), "illegal data address (address 1, function 3)"),
        (THREE, "address 1, function 3"),
    ],
)
def test_notices_say_what_went_over_the_bus(data: bytes, text: str) -> None:
    (notice,) = laws.decode(FORMAT, data, LISTEN)
    assert isinstance(notice, Notice)
    assert notice.text == text


def test_an_answer_that_echoes_its_request_is_told_from_it() -> None:
    # Modbus Application Protocol V1.1b3, 6.6: the response to "write single register" is an echo of the request.
    write = frame("01 06 00 01 00 03")
    assert shown(FORMAT.decoder(LISTEN), write * 3) == ["request ", "response ", "request "]


def test_a_frame_does_not_reach_over_half_a_second_of_silence() -> None:
    decoder = FORMAT.decoder(LISTEN)
    assert shown(decoder, VOLTS_24[:5], at(0)) == []
    assert shown(decoder, VOLTS_24[5:] + VOLTS_24, at(501)) == ["24.0625 V"]
    assert decoder.skipped == 9


# What registers hold.


@given(st.floats(width=32, allow_nan=False, allow_infinity=False))
def test_a_float_is_shown_by_the_shortest_decimal_that_is_it(number: float) -> None:
    (reading,) = laws.readings(FORMAT, floats(number), LISTEN)
    assert reading.value is not None
    assert struct.pack(">f", float(reading.value)) == struct.pack(">f", number)
    digits = len(reading.value.normalize().as_tuple().digits)
    if digits > 1:  # no shorter decimal is the same float
        shorter = float(f"{number:.{digits - 1}g}")
        assert abs(shorter) > 3.4e38 or struct.pack(">f", shorter) != struct.pack(">f", number)


def test_digits_that_vary_are_no_change_of_range() -> None:
    steps = [laws.readings(FORMAT, floats(number), LISTEN)[0].resolution for number in (24.0625, 24.1, 9.99, 0.0)]
    assert len(set(steps)) == 1


@pytest.mark.parametrize(
    ("data", "display", "state"),
    [
        ("7F C0 00 00", "", State.BLANK),
        ("FF C0 00 01", "", State.BLANK),
        ("7F 80 00 00", "OL", State.OVERLOAD),
        ("FF 80 00 00", "-OL", State.OVERLOAD),
        ("C1 C0 80 00", "-24.0625", State.VALUE),
        ("3D CC CC CD", "0.1", State.VALUE),
    ],
)
def test_special_floats(data: str, display: str, state: State) -> None:
    # IEEE 754: exponent all ones is infinity with a mantissa of 0, and NaN with any other.
    (reading,) = laws.readings(FORMAT, frame(f"01 04 04 {data}"), LISTEN)
    assert (reading.display, reading.state) == (display, state)


@pytest.mark.parametrize("order", list(WordOrder))
@given(number=st.floats(-1000, 1000, width=32))
def test_each_order_puts_the_bytes_back(order: WordOrder, number: float) -> None:
    entry = Entry(0, "input", Type.FLOAT32, Function.DC_VOLTAGE, "V", order=order)
    straight = Entry(0, "input", Type.FLOAT32, Function.DC_VOLTAGE, "V")
    value = dict(zip("ABCD", struct.pack(">f", number), strict=True))
    sent = struct.unpack(">HH", bytes(value[letter] for letter in order))
    assert entry.display(sent) == straight.display(struct.unpack(">HH", struct.pack(">f", number)))


@pytest.mark.parametrize(
    ("type_", "contents", "resolution", "display"),
    [
        (Type.UINT16, (2406,), "0.01", "24.06"),
        (Type.UINT16, (65535,), None, "65535"),
        (Type.INT16, (0xFFFF,), None, "-1"),
        (Type.INT16, (0xFB2E,), "0.01", "-12.34"),
        (Type.INT16, (3,), "0.05", "0.15"),
        (Type.UINT16, (24,), "10", "240"),
        (Type.UINT16, (24,), "1E3", "24000"),
        (Type.UINT32, (1, 0), "0.001", "65.536"),
        (Type.INT32, (0xFFFF, 0xFFFE), "0.1", "-0.2"),
        (Type.FLOAT32, (0x41C0, 0x8000), "0.01", "24.06"),
        (Type.FLOAT32, (0x41C0, 0x8000), "0.5", "24.0"),
    ],
)
def test_numbers_and_their_resolution(
    type_: Type, contents: tuple[int, ...], resolution: str | None, display: str
) -> None:
    step = None if resolution is None else Decimal(resolution)
    entry = Entry(0, "input", type_, Function.DC_VOLTAGE, "V", resolution=step)
    assert entry.display(contents) == display
    assert entry.step == step


@pytest.mark.parametrize("contents", [0x7FFF, 0x8000, 0xFFFF])
def test_codes_mean_no_value_only_where_the_map_says_so(contents: int) -> None:
    plain = Entry(0, "input", Type.INT16, Function.DC_VOLTAGE, "V")
    coded = Entry(
        0,
        "input",
        Type.INT16,
        Function.DC_VOLTAGE,
        "V",
        no_value=frozenset({0x7FFF, 0x8000}),
        overload=frozenset({0xFFFF}),
    )
    assert plain.display((contents,)) == str(contents - 0x10000 if contents & 0x8000 else contents)
    assert coded.display((contents,)) == ("OL" if contents == 0xFFFF else "")


# Listening with a map.

VOLTS = Entry(
    8, "input", Type.INT16, Function.DC_VOLTAGE, "V", resolution=Decimal("0.01"), no_value=frozenset({0x7FFF})
)
AMPERES = Entry(10, "input", Type.UINT16, Function.DC_CURRENT, "A", scale=-3)


def test_a_map_tells_the_registers_that_were_asked_for() -> None:
    decoder = ModbusListener([VOLTS, AMPERES], any_two=False)
    assert shown(decoder, frame("01 04 00 08 00 03")) == ["request "]
    assert shown(decoder, registers(2406, 1, 350)) == ["24.06 V", "350 A"]


@pytest.mark.parametrize(
    ("asked", "answer"),
    [
        pytest.param(b"", registers(2406), id="nobody asked"),
        pytest.param(frame("01 04 00 09 00 01"), registers(2406), id="another register"),
        pytest.param(frame("01 03 00 08 00 01"), registers(2406, function=3), id="another kind"),
        pytest.param(frame("02 04 00 08 00 01"), registers(2406), id="another device"),
        pytest.param(frame("01 04 00 08 00 02"), registers(2406), id="fewer registers"),
        pytest.param(frame("01 04 00 08 00 01") + frame("01 84 02"), registers(2406), id="answered already"),
    ],
)
def test_without_its_request_a_response_is_only_a_notice(asked: bytes, answer: bytes) -> None:
    decoder = ModbusListener([VOLTS, AMPERES], any_two=False)
    decoder.feed(asked, NOW)
    assert [line.split()[0] for line in shown(decoder, answer)] == ["response"]


# Asking.


def test_it_asks_one_entry_after_another() -> None:
    session = ModbusSession([VOLTS, AMPERES], 1)
    assert session.poll(at(0)) == frame("01 04 00 08 00 01")
    assert session.poll(at(10)) == b""
    assert shown(session, registers(2406), at(20)) == ["24.06 V"]
    assert session.poll(at(199)) == b""
    assert session.poll(at(200)) == frame("01 04 00 0A 00 01")
    assert shown(session, registers(350), at(230)) == ["350 A"]
    assert session.poll(at(400)) == frame("01 04 00 08 00 01")
    assert shown(session, registers(0x7FFF), at(420)) == [" V"]
    assert session.skipped == 0


@pytest.mark.parametrize(
    "data",
    [
        pytest.param(registers(2406, address=2), id="another device"),
        pytest.param(registers(2406, function=3), id="another function"),
        pytest.param(registers(2406, 1), id="more registers"),
        pytest.param(frame("01 04 00 08 00 01"), id="echo of the question"),
        pytest.param(frame("02 84 02"), id="exception of another device"),
    ],
)
def test_what_does_not_answer_the_question_is_dropped(data: bytes) -> None:
    session = ModbusSession([VOLTS], 1)
    session.poll(at(0))
    assert shown(session, data, at(20)) == []
    assert session.skipped == len(data)
    assert shown(session, registers(2406), at(40)) == ["24.06 V"]


def test_an_exception_is_told_and_the_next_question_follows() -> None:
    session = ModbusSession([VOLTS], 1)
    session.poll(at(0))
    assert shown(session, frame("01 84 02"), at(20)) == ["exception 2"]
    assert session.poll(at(200)) == frame("01 04 00 08 00 01")


def test_a_late_answer_is_dropped_and_never_taken_for_the_next_entry_s() -> None:
    session = ModbusSession([VOLTS, AMPERES], 1)
    session.poll(at(0))
    assert session.poll(at(999)) == b""
    assert shown(session, registers(2406), at(1000)) == []
    assert session.poll(at(1000)) == b""
    assert shown(session, registers(2406), at(1500)) == []
    assert session.poll(at(1999)) == b""
    assert session.poll(at(2000)) == frame("01 04 00 0A 00 01")
    assert shown(session, registers(350), at(2020)) == ["350 A"]


def test_an_answer_that_nobody_waits_for_is_dropped() -> None:
    session = ModbusSession([VOLTS], 1)
    assert shown(session, registers(2406), at(0)) == []
    session.poll(at(10))
    assert shown(session, registers(2406) * 2, at(20)) == ["24.06 V"]
    assert session.skipped == 14


def test_half_an_answer_is_forgotten_with_the_next_question() -> None:
    session = ModbusSession([VOLTS], 1)
    session.poll(at(0))
    assert shown(session, registers(2406)[:4], at(20)) == []
    assert session.poll(at(1000)) == b""
    session.poll(at(2000))
    assert shown(session, registers(2406)[4:], at(2020)) == []
    assert shown(session, registers(2406), at(2030)) == ["24.06 V"]


def test_options_make_a_map_of_one_float() -> None:
    session = FORMAT.decoder({"unit-address": "17", "register": "107", "kind": "holding", "function": "ac-current"})
    assert session.poll(at(0)) == frame("11 03 00 6B 00 02")
    assert shown(session, floats(3.25, function=3, address=17), at(20)) == ["3.25 A"]


def test_a_map_comes_from_its_file(tmp_path: Path) -> None:
    path = tmp_path / "map.yaml"
    path.write_text("registers:\n  - {register: 8, kind: input, type: uint16, function: resistance, unit: kOhm}\n")
    session = FORMAT.decoder({"map": str(path), "unit-address": "3"})
    assert session.poll(at(0)) == frame("03 04 00 08 00 01")
    (reading,) = session.feed(registers(47, address=3), at(20))
    assert isinstance(reading, Reading)
    assert (reading.display, reading.scale, reading.unit) == ("47", 3, "Ohm")


@pytest.mark.parametrize(
    "wrong",
    [
        {"unit-address": "0"},
        {"unit-address": "248"},
        {"unit-address": "x"},
        {"register": "65535"},
        {"register": "-1"},
        {"kind": "coil"},
        {"word-order": "ACBD"},
        {"function": "volts"},
        {"poll": "yes"},
        {"map": "map.yaml", "register": "1"},
    ],
)
def test_wrong_options_are_refused(wrong: dict[str, str]) -> None:
    with pytest.raises(UsageError, match="expected"):
        FORMAT.decoder(wrong)


def test_bad_frames_print_nothing(capfd: pytest.CaptureFixture[str]) -> None:
    laws.decode(FORMAT, frame("01 04 00 00 00 7E") + frame("01 17 00"), LISTEN)
    assert capfd.readouterr() == ("", "")


def test_kinds_are_told_by_the_bus_reader() -> None:
    kinds = [item.kind for item in BusReader().feed(ASK_READ + THREE + frame("01 83 02"), NOW)]
    assert kinds == [Kind.REQUEST, Kind.RESPONSE, Kind.EXCEPTION]
