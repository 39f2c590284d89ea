"""Accuracy sheets: the file, its problems with their places, the limit of error it comes to, and the shipped ones."""

import random
from collections.abc import Callable
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
import yaml
from jsonschema import Draft202012Validator

from meterlink.errors import FileError, UsageError
from meterlink.instrument import Climate, Range, Sheet
from meterlink.instruments.schema import sheet_schema
from meterlink.instruments.sheet_file import examine_sheet, is_sheet, parse_sheet
from meterlink.instruments.shelf import cautious_sheet, load_sheet, sheet_names, sheet_problems
from meterlink.procedure.load import SourceText, read_file
from meterlink.procedure.problem import ProcedureError, Severity
from meterlink.reading import Function
from sheet_samples import SMALLEST_SHEET

FULL = """\
sheet: mine
title: A meter of mine
source: its data sheet, page 4
updates: 2.5
temperature: {from: 18 °C, to: 28 °C, per_kelvin: 0.1}
functions:
  dc-voltage:
    - {range: 60 V, resolution: 0.01 V, reading: 0.5 %, counts: 2, impedance: 10 MOhm}
    - range: 600 mV
      resolution: 0.1 mV
      reading: 0 %
      counts: 2.5
      updates: 5
      temperature: {from: -10 °C, to: 40 °C, per_kelvin: 0.02 %}
  resistance:
    - {range: 600 Ohm, resolution: 0.1 Ohm, reading: 1 %, counts: 0, test_current: 1 mA}
"""
SHIPPED = ("cautious-default", "four-thousand-counts", "six-thousand-counts")


@pytest.fixture(autouse=True)
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("STEADYPOINT_HOME", str(tmp_path / "home"))
    return tmp_path / "home"


def problems(text: str) -> list[tuple[int, int, str]]:
    return [(each.line, each.column, each.message) for each in examine_sheet(text, "mine.yaml").problems]


def row(accuracy: str, full: str = "60 V", resolution: str = "0.01 V", more: str = "") -> Range:
    """One row of DC volts, read from the text of a sheet."""
    return parse_sheet(one_row(f"range: {full}, resolution: {resolution}, {accuracy}", more=more), "mine.yaml").ranges[
        Function.DC_VOLTAGE
    ][0]


def one_row(keys: str, function: str = "dc-voltage", more: str = "") -> str:
    return f"sheet: mine\n{more}functions:\n  {function}:\n    - {{{keys}}}\n"


# What the file says


def test_the_contract_s_sheet_comes_to_exact_numbers() -> None:
    sheet = parse_sheet(SMALLEST_SHEET, "four-thousand-counts.yaml")
    ten_meg = Decimal(10_000_000)
    assert sheet == Sheet(
        "four-thousand-counts",
        SMALLEST_SHEET,
        {
            Function.DC_VOLTAGE: (
                Range(Decimal(40), Decimal("0.01"), Decimal("0.005"), Decimal(2), ten_meg),
                Range(Decimal(400), Decimal("0.1"), Decimal("0.008"), Decimal(2), ten_meg),
            ),
            Function.RESISTANCE: (Range(Decimal(400), Decimal("0.1"), Decimal("0.01"), Decimal(3)),),
        },
    )
    assert sheet.ranges[Function.DC_VOLTAGE][0].climate == Climate(Decimal(18), Decimal(28), Decimal("0.1"), Decimal(0))


def test_every_key_is_taken_and_rows_are_sorted_smallest_first() -> None:
    sheet = parse_sheet(FULL, "mine.yaml")
    small, large = sheet.ranges[Function.DC_VOLTAGE]
    assert (sheet.name, sheet.title, sheet.source) == ("mine", "A meter of mine", "its data sheet, page 4")
    assert (small.full, large.full) == (Decimal("0.6"), Decimal(60))
    assert (small.resolution, small.reading, small.counts) == (Decimal("0.0001"), Decimal(0), Decimal("2.5"))
    assert (small.updates, large.updates) == (Decimal(5), Decimal("2.5"))
    assert small.climate == Climate(Decimal(-10), Decimal(40), Decimal(0), Decimal("0.0002"))
    assert large.climate == Climate(Decimal(18), Decimal(28), Decimal("0.1"), Decimal(0))
    assert (small.impedance, large.impedance) == (None, Decimal(10_000_000))
    assert sheet.ranges[Function.RESISTANCE][0].test_current == Decimal("0.001")
    assert problems(FULL) == []


@pytest.mark.parametrize(
    "text", [f"# mine\r\n{SMALLEST_SHEET}", SMALLEST_SHEET.replace("\n", "\r\n"), f"{SMALLEST_SHEET}\n\n# end"]
)
def test_the_sheet_keeps_its_text_character_for_character(text: str) -> None:
    assert parse_sheet(text, "mine.yaml").text == text


@pytest.mark.parametrize(
    ("function", "written", "value"),
    [
        ("dc-voltage", "40 V", "40"),
        ("dc-voltage", "40000 mV", "40"),
        ("dc-voltage", "0.04 kV", "40"),
        ("resistance", "4 MΩ", "4000000"),
        ("resistance", "4 MOhm", "4000000"),
        ("dc-current", "400 µA", "0.0004"),
        ("dc-current", "400 μA", "0.0004"),
        ("capacitance", "4 nF", "0.000000004"),
        ("temperature", "400 ℃", "400"),
        ("duty", "99.9 %", "99.9"),
    ],
)
def test_sizes_are_read_as_people_write_them(function: str, written: str, value: str) -> None:
    unit = written.partition(" ")[2]
    step = f"0.01 {unit}"
    text = one_row(f"range: {written}, resolution: {step}, reading: 1 %, counts: 1", function)
    (only,) = parse_sheet(text, "mine.yaml").ranges[Function(function)]
    assert only.full == Decimal(value)


# What it must not say


@pytest.mark.parametrize(
    ("found", "wrong", "line", "column", "message"),
    [
        ("title: A", "titel: A", 2, 1, "key 'titel' is not known in an accuracy sheet; did you mean 'title'?"),
        ("sheet: mine", "sheet: my meter", 1, 8, "sheet 'my meter': expected letters, digits"),
        ("updates: 2.5", "updates: 0", 4, 10, "'0': expected updates a second, above 0"),
        ("updates: 2.5", "updates: 3 Hz", 4, 10, "'3 Hz': expected updates a second, above 0"),
        ("from: 18 °C", "from: 18", 5, 21, "from: '18': the unit is missing"),
        ("from: 18 °C", "from: 18 V", 5, 21, "'18 V': expected degrees Celsius, such as 18 °C"),
        ("to: 28 °C", "to: 18.0 °C", 5, 32, "to 18.0 °C is not above from 18 °C"),
        ("to: 40 °C", "to: -20 °C", 14, 39, "to -20 °C is not above from -10 °C"),
        ("from: 18 °C, ", "", 5, 14, "key 'from' is missing, 'temperature' needs it"),
        ("per_kelvin: 0.1", "per_kelvin: 10", 5, 51, "'10': expected a share of the accuracy from 0 to 1"),
        ("per_kelvin: 0.1", "per_kelvin: -0.1", 5, 51, "'-0.1': expected a share of the accuracy from 0 to 1"),
        ("per_kelvin: 0.02 %", "per_kelvin: 120 %", 14, 58, "'120 %': expected a percentage from 0 % to under 100 %"),
        ("per_kelvin: 0.1", "each: 0.1", 5, 39, "key 'each' is not known in 'temperature'; known are from, to, per"),
        ("dc-voltage:", "voltage:", 7, 3, "'voltage' is no function that can be judged; expected one of dc-voltage"),
        ("range: 60 V", "range: 60", 8, 15, "range: '60': the unit is missing"),
        (
            "range: 60 V",
            "range: about 60 V",
            8,
            15,
            "number with a unit, such as 0.3 V; expected the end of a range, above 0",
        ),
        ("range: 60 V", "range: 60 volts", 8, 15, "unit 'volts' is not known"),
        ("range: 60 V", "range: 0 V", 8, 15, "'0 V': expected the end of a range, above 0"),
        ("range: 60 V", "range: -60 V", 8, 15, "'-60 V': expected the end of a range, above 0"),
        ("range: 60 V", "range: 60 Ohm", 8, 15, "range in Ohm, but dc-voltage is measured in V"),
        ("range: 60 V", "range: [60 V]", 8, 15, "range: expected the end of a range, above 0, such as 40 V"),
        ("range: 60 V, ", "", 8, 7, "key 'range' is missing, a row of 'functions' needs it"),
        ("range: 600 mV", "range: 60000 mV", 9, 14, "range '60000 mV' is given twice; the first is in line 8"),
        ("resolution: 0.01 V", "resolution: 0.01 A", 8, 33, "resolution in A, but dc-voltage is measured in V"),
        ("resolution: 0.01 V", "resolution: 0 V", 8, 33, "'0 V': expected the size of one count, above 0"),
        ("resolution: 0.01 V", "resolution: 60 V", 8, 33, "a count of 60 V is not smaller than the range, 60 V"),
        ("reading: 0.5 %", "reading: 0.5", 8, 50, "reading: '0.5': the unit is missing"),
        ("reading: 0.5 %", "reading: 0.5 V", 8, 50, "'0.5 V': expected a percentage from 0 % to under 100 %"),
        ("reading: 0.5 %", "reading: 100 %", 8, 50, "'100 %': expected a percentage from 0 % to under 100 %"),
        ("reading: 0.5 %", "reading: -0.5 %", 8, 50, "'-0.5 %': expected a percentage from 0 % to under 100 %"),
        ("reading: 0.5 %", "reading: 0,5 %", 8, 52, "key '5 %' is not known in a row of 'functions'"),
        ("counts: 2,", "counts: -2,", 8, 65, "'-2': expected a number of counts, 0 or more"),
        ("counts: 2,", "counts: two,", 8, 65, "'two': expected a number of counts, 0 or more"),
        ("counts: 2,", "counts: 1e3,", 8, 65, "'1e3': expected a number of counts, 0 or more"),
        ("counts: 2,", "count: 2,", 8, 57, "key 'count' is not known in a row of 'functions'; did you mean 'counts'"),
        ("counts: 2.5", "counts: 0", 12, 15, "reading and counts are both 0; no meter is without error"),
        ("impedance: 10 MOhm", "impedance: 10 V", 8, 79, "'10 V': expected a resistance above 0, such as 10 MOhm"),
        ("impedance: 10 MOhm", "impedance: 0 Ohm", 8, 79, "'0 Ohm': expected a resistance above 0"),
        ("test_current: 1 mA", "test_current: 1 mV", 16, 84, "'1 mV': expected a current above 0, such as 1 mA"),
        ("updates: 5", "updates: often", 13, 16, "'often': expected updates a second"),
    ],
)
def test_each_error_is_told_with_its_place(found: str, wrong: str, line: int, column: int, message: str) -> None:
    assert FULL.count(found) == 1
    told = problems(FULL.replace(found, wrong))
    assert any((each[0], each[1]) == (line, column) and message in each[2] for each in told), told
    with pytest.raises(ProcedureError, match=rf"mine\.yaml:{line}:{column}: "):
        parse_sheet(FULL.replace(found, wrong), "mine.yaml")


@pytest.mark.parametrize(
    ("text", "line", "column", "message"),
    [
        ("", 1, 1, "the file is empty; expected an accuracy sheet"),
        ("- a\n", 1, 1, "found a list, expected keys with values"),
        ("sheet: mine\n", 1, 1, "key 'functions' is missing, an accuracy sheet needs it"),
        ("sheet: mine\nfunctions: {}\n", 2, 12, "functions: expected at least one function"),
        ("sheet: mine\nfunctions: none\n", 2, 12, "functions: found text, expected keys with values"),
        ("sheet: mine\nfunctions:\n  dc-voltage: []\n", 3, 15, "dc-voltage is an empty list"),
        ("sheet: mine\nfunctions:\n  dc-voltage: {range: 4 V}\n", 3, 15, "expected a list"),
        ("sheet: mine\nfunctions:\n  dc-voltage: [4 V]\n", 3, 16, "found text, expected keys with values"),
        ("sheet: &a mine\nfunctions: *a\n", 1, 8, "anchors are not allowed"),
        ("sheet: mine\nsheet: mine\n", 2, 1, "key 'sheet' is given twice; the first is in line 1"),
        ("sheet: mine\ntemperature: warm\nfunctions: x\n", 2, 14, "temperature: found text, expected keys with"),
    ],
)
def test_what_is_no_sheet_is_refused_with_its_place(text: str, line: int, column: int, message: str) -> None:
    told = problems(text)
    assert any((each[0], each[1]) == (line, column) and message in each[2] for each in told), told
    assert examine_sheet(text, "mine.yaml").sheet is None


def test_all_errors_are_told_at_once_in_the_order_of_the_file() -> None:
    spoilt = (
        FULL.replace("updates: 2.5", "updates: often")
        .replace("range: 60 V, resolution: 0.01 V, reading: 0.5 %", "range: 60 Ohm, resolution: 0.01 A, reading: 0.5")
        .replace("range: 600 mV", "range: 600")
        .replace("test_current: 1 mA", "test: 1 mA")
    )
    with pytest.raises(ProcedureError) as caught:
        parse_sheet(spoilt, "mine.yaml")
    places = [(each.line, each.column) for each in caught.value.problems]
    assert places == [(4, 10), (8, 15), (8, 35), (8, 52), (9, 14), (16, 70)]


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (
            one_row("range: 60 V, resolution: 1 V, reading: 1 %, counts: 1"),
            "of 60 V in steps of 1 V has 60 counts; is that",
        ),
        (
            one_row("range: 1000 V, resolution: 10 uV, reading: 1 %, counts: 1"),
            "in steps of 0.000010 V has 100000000 counts; is that meant?",
        ),
        (
            one_row("range: 6 kOhm, resolution: 1 Ohm, reading: 1 %, counts: 1, impedance: 10 MOhm", "resistance"),
            "impedance means nothing in resistance",
        ),
        (
            one_row("range: 60 V, resolution: 0.01 V, reading: 1 %, counts: 1, test_current: 1 mA"),
            "test_current means nothing in dc-voltage",
        ),
    ],
)
def test_what_is_hardly_meant_is_a_warning_and_can_be_used(text: str, message: str) -> None:
    examined = examine_sheet(text, "mine.yaml")
    (problem,) = examined.problems
    assert message in problem.message
    assert (problem.severity, problem.line) == (Severity.WARNING, 4)
    assert examined.sheet is not None
    assert parse_sheet(text, "mine.yaml") == examined.sheet


@pytest.mark.parametrize("resolution", ["0.6 V", "6 uV"])
def test_a_hundred_counts_and_ten_million_are_no_cause_for_a_warning(resolution: str) -> None:
    assert problems(one_row(f"range: 60 V, resolution: {resolution}, reading: 1 %, counts: 1")) == []


def test_a_sheet_is_known_by_its_first_key() -> None:
    assert is_sheet(f"# a comment\n---\n{SMALLEST_SHEET}")
    assert not is_sheet("instrument: DMM-07\nsheet: mine\n")
    assert not is_sheet("sheets: mine\n")
    assert not is_sheet("")


# The limit of error


@pytest.mark.parametrize(
    ("accuracy", "full", "resolution", "shown", "limit"),
    [
        # Instrument makers' application notes on counts, from memory: 1 % of 120 V is 1.2 V, and 3 counts are 0.3 V.
        ("reading: 1 %, counts: 3", "600 V", "0.1 V", "120", "1.5"),
        # The same: 3 % of 0.5 V is 15 mV, and 5 counts are 50 uV.
        ("reading: 3 %, counts: 5", "600 mV", "10 uV", "0.5", "0.01505"),
        # The same: a display of 100.0 V stands for 98.8 V to 101.2 V.
        ("reading: 1 %, counts: 2", "400 V", "0.1 V", "100.0", "1.2"),
        # The same: 0.5 % of 2 V is 10 mV, and 3 counts are 3 mV.
        ("reading: 0.5 %, counts: 3", "4 V", "1 mV", "2", "0.013"),
        # Worked out by hand: the same reading on a range ten times as large has counts ten times as large.
        ("reading: 0.5 %, counts: 2", "60 V", "0.01 V", "24", "0.14"),
        ("reading: 0.5 %, counts: 2", "600 V", "0.1 V", "24", "0.32"),
        ("reading: 0.5 %, counts: 2", "60 V", "0.01 V", "-24", "0.14"),
    ],
)
def test_the_limit_of_error_is_that_of_the_makers_examples(
    accuracy: str, full: str, resolution: str, shown: str, limit: str
) -> None:
    assert row(accuracy, full, resolution).limit_of_error(Decimal(shown)) == Decimal(limit)


@pytest.mark.parametrize(
    ("per_kelvin", "celsius", "limit"),
    [
        # "0.1 x (specified accuracy) per °C below 18 °C or above 28 °C": the usual wording of data sheets (common
        # practice, no source). 7 K outside: 0.14 V and 7 x 0.014 V.
        ("0.1", "35", "0.238"),
        ("0.1", "11", "0.238"),
        ("0.1", "28", "0.14"),
        ("0.1", "18", "0.14"),
        # A percentage is one of the reading: 0.14 V and 7 x 0.02 % of 24 V.
        ("0.02 %", "35", "0.1736"),
        ("0", "35", "0.14"),
    ],
)
def test_each_kelvin_outside_adds_what_the_sheet_says(per_kelvin: str, celsius: str, limit: str) -> None:
    span = f"temperature: {{from: 18 °C, to: 28 °C, per_kelvin: {per_kelvin}}}\n"
    stated = row("reading: 0.5 %, counts: 2", more=span)
    assert stated.limit_of_error(Decimal(24), Decimal(celsius)) == Decimal(limit)


# The schema


@pytest.fixture(scope="module")
def schema() -> dict[str, Any]:
    return sheet_schema()


def test_it_is_a_schema_of_the_2020_12_dialect_that_explains_every_key(schema: dict[str, Any]) -> None:
    Draft202012Validator.check_schema(schema)  # the metaschema, json-schema.org/draft/2020-12
    assert schema["$schema"] == Draft202012Validator.META_SCHEMA["$id"]
    parts = [schema, *(part for part in schema["$defs"].values() if "properties" in part)]
    assert [part["title"] for part in parts] == ["Steadypoint accuracy sheet", "Row", "TemperatureSpan"]
    assert [key for part in parts for key, value in part["properties"].items() if "description" not in value] == []


@pytest.mark.parametrize("name", [*SHIPPED, "contract", "full"])
def test_good_sheets_are_valid(schema: dict[str, Any], name: str) -> None:
    text = {"contract": SMALLEST_SHEET, "full": FULL}.get(name) or load_sheet(name).text
    assert list(Draft202012Validator(schema).iter_errors(yaml.safe_load(text))) == []


@pytest.mark.parametrize(
    "spoil",
    [
        lambda sheet: sheet.pop("sheet"),
        lambda sheet: sheet.update(colour="red"),
        lambda sheet: sheet.update(title=None),
        lambda sheet: sheet.update(sheet="two words"),
        lambda sheet: sheet["functions"].clear(),
        lambda sheet: sheet["functions"].update(voltage=sheet["functions"]["dc-voltage"]),
        lambda sheet: sheet["functions"]["dc-voltage"].clear(),
        lambda sheet: sheet["functions"]["dc-voltage"][0].update(range=40),
        lambda sheet: sheet["functions"]["dc-voltage"][0].update(coverage=2),
        lambda sheet: sheet["functions"]["dc-voltage"][0].pop("counts"),
        lambda sheet: sheet["temperature"].pop("per_kelvin"),
        lambda sheet: sheet["temperature"].update(upto="28 °C"),
    ],
)
def test_spoilt_sheets_are_not(schema: dict[str, Any], spoil: Callable[[Any], object]) -> None:
    sheet = yaml.safe_load(FULL)
    assert Draft202012Validator(schema).is_valid(sheet)
    spoil(sheet)
    assert not Draft202012Validator(schema).is_valid(sheet)


# The shipped ones


def shipped_file(name: str) -> SourceText:
    import meterlink_procedures

    return read_file(Path(str(meterlink_procedures.__file__)).parent / "sheets" / f"{name}.yaml", "an accuracy sheet")


def test_these_are_shipped() -> None:
    assert tuple(sheet_names()) == SHIPPED


@pytest.mark.parametrize("name", SHIPPED)
def test_a_shipped_sheet_is_clean_and_says_that_it_has_no_source(name: str) -> None:
    file = shipped_file(name)
    assert sheet_problems(file) == ()
    sheet = load_sheet(name)
    assert sheet.text == file.text
    assert sheet.title
    assert sheet.source == "common practice, no source; put your own meter's data sheet in its place"


@pytest.mark.parametrize("name", SHIPPED)
def test_each_range_of_a_shipped_sheet_is_found_by_its_own_resolution(name: str) -> None:
    sheet = load_sheet(name)
    for function, ranges in sheet.ranges.items():
        assert [each.full for each in ranges] == sorted({each.full for each in ranges})
        for each in ranges:
            assert sheet.shown_on(function, each.full / 2, each.resolution) is each, (function, each)


def test_the_four_thousand_counts_hold_the_contract_s_rows_word_for_word() -> None:
    rows = [line.strip() for line in SMALLEST_SHEET.splitlines() if line.strip().startswith("- {")]
    assert len(rows) == 3
    assert set(rows) <= {line.strip() for line in load_sheet("four-thousand-counts").text.splitlines()}


def test_the_cautious_default_covers_whatever_can_be_judged() -> None:
    sheet = cautious_sheet()
    assert sheet.name == "cautious-default"
    assert sheet.title.startswith("Cautious default")
    assert set(sheet.ranges) == {function for function in Function if function.judged}


@pytest.mark.parametrize("other", ["four-thousand-counts", "six-thousand-counts"])
def test_the_cautious_default_allows_more_error_than_a_hand_held_s_sheet(other: str) -> None:
    cautious, common = cautious_sheet(), load_sheet(other)
    rng = random.Random(4711)
    assert common.ranges.keys() <= cautious.ranges.keys()
    for function, ranges in common.ranges.items():
        for _ in range(200):
            stated = rng.choice(ranges)
            shown = rng.randint(0, int(stated.full / stated.resolution)) * stated.resolution
            taken = cautious.shown_on(function, shown, stated.resolution)
            assert taken is not None, (function, shown)
            assert taken.limit_of_error(shown) > stated.limit_of_error(shown), (function, shown, stated)


# Where they are found


def put(home: Path, name: str, text: str) -> Path:
    path = home / "sheets" / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text, encoding="utf-8")
    return path


def test_the_user_s_own_are_found_by_name_in_the_home_folder(home: Path) -> None:
    put(home, "mine.yaml", FULL)
    assert load_sheet("mine").title == "A meter of mine"
    assert sheet_names() == sorted((*SHIPPED, "mine"))


def test_a_file_is_found_by_its_path(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    for name in ("mine.yaml", "mine"):
        (tmp_path / name).write_text(FULL, encoding="utf-8")
        assert load_sheet(str(tmp_path / name)).name == "mine"
        assert load_sheet(name).name == "mine"
    with pytest.raises(FileError, match=r"other\.yaml: no such file; expected an accuracy sheet"):
        load_sheet("other.yaml")


def test_a_stray_file_does_not_take_the_place_of_a_named_sheet(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "six-thousand-counts").write_text(FULL, encoding="utf-8")
    assert load_sheet("six-thousand-counts").title.startswith("Hand-held of 6000 counts")


def test_an_unknown_name_lists_the_known_ones() -> None:
    with pytest.raises(UsageError, match=f"unknown sheet 'five-thousand'; known: {', '.join(SHIPPED)}"):
        load_sheet("five-thousand")
    with pytest.raises(UsageError, match="unknown sheet 'xxx"):
        load_sheet("x" * 5000)


def test_two_sheets_of_one_name_are_refused_but_the_cautious_default_stays(home: Path) -> None:
    for name in ("six-thousand-counts", "cautious-default"):
        path = put(home, f"{name}.yaml", FULL.replace("sheet: mine", f"sheet: {name}"))
        with pytest.raises(UsageError, match=f"sheet '{name}' is there twice, .* and {path}; rename one"):
            load_sheet(name)
    assert cautious_sheet().title.startswith("Cautious default")


def test_a_sheet_in_a_file_of_another_name_is_used_with_a_warning(home: Path, tmp_path: Path) -> None:
    path = put(home, "yours.yaml", FULL)
    assert load_sheet("yours").name == load_sheet(str(path)).name == "mine"
    (problem,) = sheet_problems(SourceText(str(path), FULL))
    assert (problem.line, problem.column, problem.severity) == (1, 8, Severity.WARNING)
    assert problem.message == "sheet 'mine' lies in a file of the name 'yours', by which it is found"


def test_a_warning_does_not_keep_a_sheet_from_use(home: Path) -> None:
    put(home, "mine.yaml", one_row("range: 60 V, resolution: 1 V, reading: 1 %, counts: 1"))
    assert load_sheet("mine").name == "mine"
