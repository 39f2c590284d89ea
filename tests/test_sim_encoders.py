"""The simulated meters' encoders against the test vectors, byte for byte.

The vectors (tests/data/frames.json) name their sources. The encoders were written from the formats' descriptions alone;
the decoders know nothing of them, so their agreement elsewhere means something.
"""

import struct
from collections.abc import Callable

import pytest

from frames import NOW, Vector, vectors
from meterlink.reading import Flag, Function, Reading
from meterlink_sim.encoders import (
    ascii_polled_14,
    ble_count6,
    ble_lcd11_xor,
    dtm0660_lcd15,
    es519xx_ascii11,
    es51922_ascii14,
    fs9721_lcd14,
    fs9922_ascii14,
    gatt,
    modbus_rtu,
    sfloat16,
    stx_ascii16,
    text_line,
)

Encode = Callable[[Reading], bytes]

EXACT: dict[str, Encode] = {
    "fs9721-lcd14": fs9721_lcd14.encode,
    "dtm0660-lcd15": dtm0660_lcd15.encode,
    "fs9922-ascii14": fs9922_ascii14.encode,
    "es51922-ascii14": es51922_ascii14.encode,
    "es519xx-2400-11": es519xx_ascii11.encode_4000,
    "es51986-19200-11": es519xx_ascii11.encode_6000,
    "ascii-polled-14": ascii_polled_14.encode,
    "ble-count6": ble_count6.encode,
    "ble-lcd11-xor": ble_lcd11_xor.encode,
    "gatt-voltage-2b18": gatt.encode_voltage,
    "gatt-current-2aee": gatt.encode_current,
    "gatt-temperature-2a6e": gatt.encode_temperature,
    "sfloat16": sfloat16.encode,
    "stx-ascii16": stx_ascii16.encode,
}


def shown(vector: Vector) -> Reading:
    """What the display shows, as a reading."""
    expected = vector.expected
    negative = "-" if vector.shown.startswith(("-OL", "-INF")) else ""
    display = f"{negative}OL" if expected["overload"] else expected["display"] or ""
    flags, scale = expected["flags"], expected["scale"]
    assert isinstance(display, str)
    assert isinstance(flags, list)
    assert isinstance(scale, int)
    function = Function(str(expected["function"]))
    return Reading(display, str(expected["unit"]), function, NOW, scale, frozenset(map(Flag, flags)))


def reading(
    display: str, function: Function = Function.DC_VOLTAGE, scale: int = 0, *flags: Flag, unit: str | None = None
) -> Reading:
    return Reading(display, function.unit if unit is None else unit, function, NOW, scale, frozenset(flags))


def without_free_bytes(name: str, frame: bytes) -> bytes:
    """A frame without what its format leaves to the meter."""
    if name.startswith("es519") and len(frame) == 11 and frame[5:6] not in b";9":
        # The DC bit means nothing outside volts and amperes, and the ES51960 data sheet says that it may be set.
        return frame[:8] + bytes([frame[8] & ~8]) + frame[9:]
    if name == "ascii-polled-14":
        # One capture prints LF for the terminator; resistance comes as OH or as blanks, ohm in either case.
        return frame[:13].replace(b"OH", b"  ").lower()
    return frame


@pytest.mark.parametrize(
    ("name", "vector"),
    [
        pytest.param(name, vector, id=f"{name} {vector.shown}")
        for name in EXACT
        for vector in vectors(name)
        if vector.shown not in ("NRes (not at this resolution)", "reserved")  # SFLOAT's other ways to say no number
    ],
)
def test_each_vector_is_encoded_byte_for_byte(name: str, vector: Vector) -> None:
    encoded = EXACT[name](shown(vector))
    assert without_free_bytes(name, encoded).hex(" ") == without_free_bytes(name, vector.data).hex(" ")
    assert len(encoded) == len(vector.data)


def test_the_battery_level_s_vector() -> None:
    [vector] = vectors("gatt-battery-2a19")
    assert gatt.encode_battery(int(str(vector.expected["display"]))) == vector.data


TEXT_DIALECTS = {
    "24.06 V DC": "plain",
    "24,06 V": "comma",
    "-1.5 \u00b5A (U+00B5)": "micro-sign",
    "-1.5 \u03bcA (U+03BC)": "greek-mu",
    "-1.5 uA": "plain",
    "4.7 k\u2126 (U+2126)": "ohm-sign",
    "4.7 k\u03a9 (U+03A9)": "greek-omega",
    "O.L MOhm": "letter-o",
    "-OL V": "plain",
    "---- C (no reading)": "plain",
    "CSV, semicolon, decimal comma": "csv-semicolon",
    "CSV, comma, decimal point": "csv-comma",
    "1.234E-03 A": "exponent",
}


@pytest.mark.parametrize("vector", vectors("text-line"), ids=lambda vector: vector.shown)
def test_each_text_line_is_written_by_its_dialect(vector: Vector) -> None:
    dialect = text_line.DIALECTS[TEXT_DIALECTS[vector.shown]]
    assert text_line.encode(shown(vector), dialect) == vector.data


def test_text_dialects_that_no_vector_has() -> None:
    assert text_line.encode(reading("24.06"), text_line.DIALECTS["glued"]) == b"24.06VDC\r\n"
    micro = text_line.encode(reading("-1.5", Function.CURRENT, -6), text_line.DIALECTS["latin-1"])
    assert micro == b"-1.5 \xb5A\r\n"


MODBUS = {vector.shown: vector for vector in vectors("modbus-rtu")}


@pytest.mark.parametrize("order", modbus_rtu.ORDERS)
def test_a_float_goes_over_modbus_in_each_order(order: str) -> None:
    [vector] = [vector for vector in MODBUS.values() if f"({order})" in vector.shown]
    assert modbus_rtu.encode(shown(vector), order) == vector.data


def test_what_is_no_number_goes_over_modbus_as_nan_and_infinity() -> None:
    nan = MODBUS["IEEE-754 NaN, ABCD"]
    assert modbus_rtu.encode(shown(nan)) == nan.data
    # IEEE 754: infinity is 7F800000.
    assert modbus_rtu.registers(reading("OL", Function.RESISTANCE, 6)) == (0x7F80, 0)
    assert modbus_rtu.registers(reading("-OL")) == (0xFF80, 0)


def test_a_slave_answers_as_the_specification_s_examples() -> None:
    slave = modbus_rtu.ModbusSlave(holding={0x6B: 555, 0x6C: 0, 0x6D: 100}, input={8: 10})
    request = MODBUS["read 3 holding registers from 0x006B, unit 1"].data
    assert slave.answer(request) == MODBUS["registers 555, 0, 100"].data
    assert slave.answer(modbus_rtu.closed(bytes.fromhex("01 04 00 08 00 01"))) == MODBUS["input register 10"].data
    outside = modbus_rtu.closed(bytes.fromhex("01 03 00 6C 00 03"))
    assert slave.answer(outside) == MODBUS["exception 2, illegal data address"].data


@pytest.mark.parametrize(
    ("body", "code"),
    [
        ("01 06 00 6B 00 03", modbus_rtu.ILLEGAL_FUNCTION),
        ("01 03 00 6B 00 00", modbus_rtu.ILLEGAL_VALUE),
        ("01 03 00 6B 00 7E", modbus_rtu.ILLEGAL_VALUE),
        ("01 04 FF FF 00 02", modbus_rtu.ILLEGAL_ADDRESS),
        ("01 03 00 6B", modbus_rtu.ILLEGAL_VALUE),
    ],
)
def test_a_slave_refuses_with_an_exception(body: str, code: int) -> None:
    request = bytes.fromhex(body)
    answer = modbus_rtu.ModbusSlave(holding={0x6B: 555}).answer(modbus_rtu.closed(request))
    assert answer == modbus_rtu.closed(bytes([1, request[1] | 0x80, code]))


@pytest.mark.parametrize("frame", ["01 03 00 6B 00 03 74 18", "02 03 00 6B 00 03 74 24", "02 07 41 12", ""])
def test_a_slave_is_silent_to_damage_and_to_others(frame: str) -> None:
    assert modbus_rtu.ModbusSlave(holding={0x6B: 1, 0x6C: 1, 0x6D: 1}).answer(bytes.fromhex(frame)) == b""


def test_the_crc_of_the_specification_s_example() -> None:
    example = MODBUS["CRC example: address 2, function 7"].data
    assert modbus_rtu.crc(example[:2]) == example[2:]


def test_stx_records_of_the_second_display() -> None:
    assert stx_ascii16.encode(reading("50.0", Function.FREQUENCY), display=2)[1:3] == b"42"


def test_ends_of_the_sig_ranges() -> None:
    # GATT Specification Supplement: 1022.0 V means "1022.0 V or more"; 655.34 A is the largest known current.
    assert gatt.encode_voltage(reading("OL", Function.VOLTAGE)) == struct.pack("<H", 65408)
    assert gatt.encode_current(reading("655.34", Function.CURRENT)) == bytes.fromhex("FE FF")
    assert gatt.encode_temperature(reading("-273.15", Function.TEMPERATURE)) == struct.pack("<h", -27315)


FAHRENHEIT = reading("72", Function.TEMPERATURE, unit="degF")


def test_degrees_fahrenheit_have_a_code_of_their_own() -> None:
    assert fs9922_ascii14.encode(FAHRENHEIT)[10] == 1
    assert struct.unpack("<HHH", ble_count6.encode(FAHRENHEIT))[0] >> 6 & 15 == 9
    assert stx_ascii16.encode(FAHRENHEIT)[3:5] == b"02"
    assert text_line.encode(FAHRENHEIT) == "72 °F\r\n".encode()


VOLTS, CELSIUS = reading("24.06"), reading("21", Function.TEMPERATURE)
LIT = reading("24.06", Function.DC_VOLTAGE, 0, Flag.PEAK)


@pytest.mark.parametrize(
    ("name", "what", "why"),
    [
        ("fs9721-lcd14", CELSIUS, "the function temperature"),
        ("fs9721-lcd14", reading("24.061"), "'24.061': it has 4 digits"),
        ("fs9721-lcd14", reading("2406."), "the point of '2406.'"),
        ("fs9721-lcd14", reading("24.06", scale=9), r"the prefix 10\^9 with V"),
        ("fs9721-lcd14", LIT, "the flag peak"),
        ("fs9721-lcd14", reading("50.0", Function.DUTY, -3), r"duty with the prefix 10\^-3"),
        ("fs9721-lcd14", reading("24.06", unit="A"), "dc-voltage in A"),
        ("fs9922-ascii14", reading("24.06", scale=-12), r"the prefix 10\^-12 with V"),
        ("fs9922-ascii14", LIT, "the flag peak"),
        ("es51922-ascii14", VOLTS, "'24.06': it always shows 5 digits"),
        ("es51922-ascii14", CELSIUS, "the function temperature"),
        ("es51922-ascii14", reading("2.2000", scale=-3), r"'2.2000' with the prefix 10\^-3 in dc-voltage: no range"),
        ("es51922-ascii14", reading("OL", scale=3), r"the prefix 10\^3 in dc-voltage"),
        ("es519xx-2400-11", reading("24.06", Function.DC_VOLTAGE, 0, Flag.HOLD), "the flag hold"),
        ("es519xx-2400-11", reading(""), "a blank display"),
        (
            "es519xx-2400-11",
            reading("1.234", Function.DC_CURRENT),
            r"'1.234' with the prefix 10\^0 in dc-current: no range",
        ),
        ("ascii-polled-14", reading("24.06", Function.DC_VOLTAGE, 0, Flag.AUTO_RANGE), "the flag auto-range"),
        ("ascii-polled-14", reading(""), "'' instead of a number"),
        ("ascii-polled-14", reading("240.612"), "'240.612': it takes 6 characters"),
        ("ascii-polled-14", reading("0.3", Function.CONTINUITY), "the function continuity"),
        ("ble-count6", reading("40.000"), "'40.000': it takes 32767 counts"),
        ("ble-lcd11-xor", reading("1.000", Function.FREQUENCY, 3), r"the unit \('Hz', 3\)"),
        ("ble-lcd11-xor", reading("24.06", Function.DC_VOLTAGE, 0, Flag.LOW_BATTERY), "the flag low-battery"),
        ("gatt-voltage-2b18", reading("24.06", Function.VOLTAGE), "'24.06' with the prefix"),
        ("gatt-voltage-2b18", reading("-1", Function.VOLTAGE), "'-1' with the prefix"),
        ("gatt-voltage-2b18", VOLTS, "the function dc-voltage"),
        ("gatt-current-2aee", reading("OL", Function.CURRENT), "'OL' with the prefix"),
        ("gatt-temperature-2a6e", FAHRENHEIT, "the function temperature in degF"),
        ("sfloat16", reading("24.06", Function.NUMBER), "'24.06' with the prefix"),  # 2406 needs more than 12 bits
        ("sfloat16", reading("2047", Function.NUMBER), "'2047' with the prefix"),  # the code of NaN
        ("stx-ascii16", reading("OL"), "'OL' instead of a number"),
        ("stx-ascii16", reading("1.2345"), "a point with decimals behind it: 4"),
        ("stx-ascii16", reading("0.3", Function.CONTINUITY), "the unit"),
    ],
)
def test_what_a_format_cannot_show_is_refused_with_the_reason(name: str, what: Reading, why: str) -> None:
    with pytest.raises(ValueError, match=f"cannot show {why}"):
        EXACT[name](what)


def test_a_line_of_text_has_no_word_for_continuity() -> None:
    with pytest.raises(ValueError, match="a text line cannot show the function continuity"):
        text_line.encode(reading("0.3", Function.CONTINUITY))


def test_a_battery_holds_no_more_than_all() -> None:
    with pytest.raises(ValueError, match="cannot show 101 %"):
        gatt.encode_battery(101)
