"""The register map of a Modbus meter: a YAML file, wrong in every way it can be."""

from decimal import Decimal
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterlink.errors import FileError
from meterlink.reading import Function
from meterlink_drivers.formats.modbus_registers import Entry, Type, WordOrder
from meterlink_drivers.register_map import MAX_BYTES, load_register_map, parse_register_map

SMALLEST = "registers:\n  - register: 8\n    kind: input\n    type: float32\n    function: dc-voltage\n"
FULL = """registers:
  - register: 0x6B
    kind: holding
    type: float32
    order: CDAB
    function: dc-voltage
    unit: mV
    resolution: 0.01
    no-value: [0x7FC00000]
    overload: [0x7F800000, 0]
  - {register: 2, kind: input, type: int16, function: temperature, unit: degF, no-value: [0x8000]}
"""


def test_a_full_map() -> None:
    volts, degrees = parse_register_map(FULL.encode(), "m")
    assert volts == Entry(
        register=107,
        kind="holding",
        type=Type.FLOAT32,
        function=Function.DC_VOLTAGE,
        unit="V",
        scale=-3,
        order=WordOrder.CDAB,
        resolution=Decimal("0.01"),
        no_value=frozenset({0x7FC00000}),
        overload=frozenset({0x7F800000, 0}),
    )
    assert volts.step == Decimal("0.00001")
    assert degrees == Entry(2, "input", Type.INT16, Function.TEMPERATURE, "degF", no_value=frozenset({0x8000}))


def test_the_smallest_map() -> None:
    assert parse_register_map(SMALLEST.encode(), "m") == [Entry(8, "input", Type.FLOAT32, Function.DC_VOLTAGE, "V")]


@pytest.mark.parametrize(
    ("text", "place", "message"),
    [
        ("", "m", "empty"),
        ("# nothing\n", "m", "empty"),
        ("registers: 5\n", "m:1:12", "expected a list"),
        ("registers: []\n", "m:1:12", "0 entries; expected 1 to 100"),
        ("- 5\n", "m:1:1", "expected keys and values"),
        ("meter: 5\n", "m:1:1", "unknown key 'meter'; expected registers"),
        ("{}\n", "m:1:1", "registers: is missing"),
        ("registers: [5]\n", "m:1:13", "expected keys and values"),
        ("registers:\n\t- 5\n", "m:2:1", "not valid YAML"),
        ("registers: *r\n", "m:1:12", "not valid YAML"),
        (SMALLEST.replace("input", "coil"), "m:3:11", "'coil': expected one of input, holding"),
        (SMALLEST.replace("float32", "float64"), "m:4:11", "'float64': expected one of uint16"),
        (SMALLEST.replace("dc-voltage", "volts"), "m:5:15", "'volts': expected one of dc-voltage"),
        (
            SMALLEST.replace("register: 8", "register: 65535"),
            "m:2:15",
            "expected a whole number from 0 to 65534",
        ),
        (SMALLEST.replace("register: 8", "register: -1"), "m:2:15", "-1: expected a whole number"),
        (SMALLEST.replace("register: 8", "register: 8.5"), "m:2:15", "'8.5': expected a whole number"),
        (SMALLEST.replace("register: 8", "register: [8]"), "m:2:15", "expected a word or number"),
        (SMALLEST.replace("    kind: input\n", ""), "m:2:5", "kind: is missing"),
        (SMALLEST + "    colour: red\n", "m:6:5", "unknown key 'colour'; expected register, kind"),
        (SMALLEST + "    kind: input\n", "m:6:5", "kind: is given twice"),
        (SMALLEST + "    order: ABDC\n", "m:6:12", "'ABDC': expected one of ABCD"),
        (SMALLEST.replace("float32", "int16") + "    order: CDAB\n", "m:6:12", "int16 has one register"),
        (SMALLEST + "    unit: mA\n", "m:6:11", "'mA': expected the unit of dc-voltage: V, with a prefix"),
        (SMALLEST + "    unit: degF\n", "m:6:11", "expected the unit of dc-voltage"),
        (SMALLEST.replace("dc-voltage", "number") + "    unit: V\n", "m:6:11", "expected the unit of number: none"),
        (SMALLEST + "    resolution: fine\n", "m:6:17", "'fine': expected a number such as 0.01"),
        (SMALLEST + "    resolution: 0\n", "m:6:17", "0: expected a number above 0"),
        (SMALLEST + "    resolution: -0.1\n", "m:6:17", "expected a number above 0"),
        (SMALLEST + "    resolution: nan\n", "m:6:17", "expected a number above 0"),
        (SMALLEST + "    no-value: 0x7FFF\n", "m:6:15", "expected a list"),
        (SMALLEST + "    no-value: [0x100000000]\n", "m:6:16", "expected a whole number from 0 to 4294967295"),
        (SMALLEST.replace("float32", "uint16") + "    overload: [65536]\n", "m:6:16", "from 0 to 65535"),
        ("[" * 5000, "m", "nested too deep"),
    ],
)
def test_what_is_wrong_is_told_with_its_place(text: str, place: str, message: str) -> None:
    with pytest.raises(FileError) as caught:
        parse_register_map(text.encode(), "m")
    assert str(caught.value).startswith(f"{place}: ")
    assert message in str(caught.value)


def test_bytes_that_are_no_text_are_refused() -> None:
    with pytest.raises(FileError, match="byte 11 is not UTF-8 text"):
        parse_register_map(b"registers: \xff", "m")


@given(st.text(alphabet="registers: \n-{}[]&*!5a,'\"|>", max_size=60))
def test_whatever_stands_in_a_file_is_a_map_or_an_error_of_the_file(text: str) -> None:
    try:
        entries = parse_register_map(text.encode(), "m")
    except FileError as error:
        assert str(error).startswith("m:")  # noqa: PT017 - either way is right
    else:
        assert entries


def test_a_file_is_read_and_its_absence_and_size_are_told(tmp_path: Path) -> None:
    path = tmp_path / "map.yaml"
    with pytest.raises(FileError, match=r"map\.yaml: cannot be opened \(No such file"):
        load_register_map(str(path))
    path.write_text(SMALLEST)
    assert len(load_register_map(str(path))) == 1
    path.write_text(SMALLEST + "#" * MAX_BYTES)
    with pytest.raises(FileError, match="more than 65536 bytes"):
        load_register_map(str(path))
