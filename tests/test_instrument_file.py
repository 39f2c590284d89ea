"""Registered instruments: the file, its problems with their places, calibration by the day, and the shelf."""

import os
from collections.abc import Callable
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest
import yaml
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st
from jsonschema import Draft202012Validator

from meterlink.errors import FileError, UsageError
from meterlink.instrument import Calibration
from meterlink.instruments.instrument_file import (
    Registered,
    calibration_on,
    examine_instrument,
    instrument_text,
    is_instrument,
    parse_instrument,
)
from meterlink.instruments.schema import instrument_schema
from meterlink.instruments.shelf import (
    all_instruments,
    instrument_problems,
    load_instrument,
    recognise,
    save_instrument,
)
from meterlink.procedure.load import SourceText
from meterlink.procedure.problem import ProcedureError, Severity

FULL = """\
instrument: DMM-07
identity: [usb:0403:6001:A5XK3RJT, "ble:C0:FF:EE:01:02:03"]
sheet: six-thousand-counts
certificate: C-2026-118
calibrated: 2026-03-02
due: 2027-03-02
note: leads replaced
"""
BARE = "instrument: DMM-08\nsheet: cautious-default\n"
DAY, DUE = date(2026, 3, 2), date(2027, 3, 2)
METER = Registered(
    "DMM-07",
    ("usb:0403:6001:A5XK3RJT", "ble:C0:FF:EE:01:02:03"),
    "six-thousand-counts",
    "C-2026-118",
    DAY,
    DUE,
    "leads replaced",
)


@pytest.fixture(autouse=True)
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("STEADYPOINT_HOME", str(tmp_path / "home"))
    return tmp_path / "home"


def put(home: Path, name: str, text: str) -> Path:
    path = home / "instruments" / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text, encoding="utf-8")
    return path


# What the file says


def test_every_key_is_taken() -> None:
    assert parse_instrument(FULL, "DMM-07.yaml") == METER


def test_a_name_and_a_sheet_are_enough() -> None:
    assert parse_instrument(BARE, "DMM-08.yaml") == Registered("DMM-08", (), "cautious-default")


def test_one_identity_needs_no_list_and_numbers_stay_text() -> None:
    text = "instrument: 12\nidentity: port:COM3\nsheet: 4000\ncertificate: 118\n"
    assert parse_instrument(text, "12.yaml") == Registered("12", ("port:COM3",), "4000", "118")


def test_an_instrument_is_known_by_its_first_key() -> None:
    assert is_instrument(f"# a comment\n---\n{FULL}")
    assert not is_instrument("sheet: mine\ninstrument: x\n")
    assert not is_instrument("")


# What it must not say


@pytest.mark.parametrize(
    ("found", "wrong", "line", "column", "message"),
    [
        ("instrument: DMM-07", "instrument: DMM 07", 1, 13, "instrument 'DMM 07': expected letters, digits"),
        ("instrument: DMM-07", "instrument: ../DMM", 1, 13, "instrument '../DMM': expected letters, digits"),
        ("identity: [usb:0403:6001:A5XK3RJT, ", "identity: [[a], ", 2, 12, "identity: found a list, expected text"),
        ('"ble:C0:FF:EE:01:02:03"', "usb:0403:6001:A5XK3RJT", 2, 36, "is given twice; the first is in line 2"),
        ('[usb:0403:6001:A5XK3RJT, "ble:C0:FF:EE:01:02:03"]', "[]", 2, 11, "identity is an empty list"),
        ("sheet: six-thousand-counts\n", "", 1, 1, "key 'sheet' is missing, an instrument needs it"),
        ("sheet: six-thousand-counts", 'sheet: ""', 3, 8, "sheet is empty, expected text"),
        ("certificate: C-2026-118", "certificate: {}", 4, 14, "certificate: found keys with values, expected text"),
        ("calibrated: 2026-03-02", "calibrated: 2026-02-30", 5, 13, "'2026-02-30': there is no such day"),
        ("calibrated: 2026-03-02", "calibrated: 2026-00-10", 5, 13, "'2026-00-10': there is no such day"),
        ("calibrated: 2026-03-02", "calibrated: 02.03.2026", 5, 13, "'02.03.2026': expected a day as year-month-day"),
        ("calibrated: 2026-03-02", "calibrated: 20260302", 5, 13, "'20260302': expected a day as year-month-day"),
        ("calibrated: 2026-03-02", "calibrated: 2026-W10-1", 5, 13, "'2026-W10-1': expected a day as year-month-day"),
        ("calibrated: 2026-03-02", "calibrated: [2026]", 5, 13, "calibrated: expected a day, such as 2026-03-02"),
        ("due: 2027-03-02", "due: soon", 6, 6, "'soon': expected a day as year-month-day, such as 2026-03-02"),
        ("due: 2027-03-02", "due: 2026-03-01", 6, 6, "due 2026-03-01 lies before the day of calibration, 2026-03-02"),
        ("note: leads", "notes: leads", 7, 1, "key 'notes' is not known in an instrument; did you mean 'note'?"),
    ],
)
def test_each_error_is_told_with_its_place(found: str, wrong: str, line: int, column: int, message: str) -> None:
    assert FULL.count(found) == 1
    with pytest.raises(ProcedureError) as caught:
        parse_instrument(FULL.replace(found, wrong), "DMM-07.yaml")
    told = [(each.line, each.column, each.message) for each in caught.value.problems]
    assert any((each[0], each[1]) == (line, column) and message in each[2] for each in told), told


def test_all_errors_are_told_at_once() -> None:
    spoilt = FULL.replace("2026-03-02", "2026-02-30").replace("2027-03-02", "soon").replace("note", "notes")
    with pytest.raises(ProcedureError) as caught:
        parse_instrument(spoilt, "DMM-07.yaml")
    assert [each.line for each in caught.value.problems] == [5, 6, 7]


@pytest.mark.parametrize("text", ["", "- a\n", "instrument: [\n", "instrument: &a x\n", "instrument: DMM-07\n"])
def test_what_is_no_instrument_has_problems_and_no_traceback(text: str) -> None:
    examined = examine_instrument(text, "DMM-07.yaml")
    assert examined.instrument is None
    assert examined.problems


@pytest.mark.parametrize(
    ("text", "line", "column", "message"),
    [
        (f"{BARE}due: 2027-03-02\n", 3, 1 + len("due: "), "due without certificate and calibrated: the calibration co"),
        (f"{BARE}calibrated: 2026-03-02\ndue: 2027-03-02\n", 3, 13, "calibrated and due without certificate"),
        (FULL.replace("due: 2027", "due: 2037"), 6, 6, "due 2037-03-02 is more than 5 years after the calibration"),
        (BARE.replace("cautious-default", "sheets/mine.yaml"), 2, 8, "'sheets/mine.yaml' depends on the folder"),
    ],
)
def test_what_is_hardly_meant_is_a_warning_and_can_be_used(text: str, line: int, column: int, message: str) -> None:
    examined = examine_instrument(text, "DMM-08.yaml")
    (problem,) = examined.problems
    assert (problem.line, problem.column, problem.severity) == (line, column, Severity.WARNING)
    assert message in problem.message
    assert examined.instrument is not None


@pytest.mark.parametrize(
    "path", ["/srv/mine.yaml", "C:\\\\sheets\\\\mine.yaml", "\\\\\\\\server\\\\mine.yaml", "C:/mine.yml"]
)
def test_a_whole_path_is_no_cause_for_a_warning(path: str) -> None:
    assert examine_instrument(f'instrument: DMM-08\nsheet: "{path}"\n', "DMM-08.yaml").problems == ()


# Calibration


@pytest.mark.parametrize(
    ("day", "stands"),
    [
        (DAY - timedelta(1), Calibration.MISSING),  # a calibration that lies ahead cannot be right
        (DAY, Calibration.VALID),
        (DUE, Calibration.VALID),
        (DUE + timedelta(1), Calibration.OVERDUE),
    ],
)
def test_a_calibration_is_valid_from_its_day_to_the_due_day(day: date, stands: Calibration) -> None:
    assert calibration_on(METER, day) is stands


@pytest.mark.parametrize(
    "meter",
    [
        Registered("DMM-07", (), "s"),
        Registered("DMM-07", (), "s", None, DAY, DUE),
        Registered("DMM-07", (), "s", "C-1", None, DUE),
        Registered("DMM-07", (), "s", "C-1", DAY, None),
    ],
)
@pytest.mark.parametrize("day", [DAY, DUE + timedelta(1)])
def test_a_calibration_without_paper_day_or_end_is_missing(meter: Registered, day: date) -> None:
    assert calibration_on(meter, day) is Calibration.MISSING


# Written and read again


def test_the_file_looks_as_a_person_would_write_it() -> None:
    assert instrument_text(METER) == (
        "instrument: DMM-07\n"
        "identity:\n"
        "  - usb:0403:6001:A5XK3RJT\n"
        "  - ble:C0:FF:EE:01:02:03\n"
        "sheet: six-thousand-counts\n"
        "certificate: C-2026-118\n"
        "calibrated: 2026-03-02\n"
        "due: 2027-03-02\n"
        "note: leads replaced\n"
    )


HOSTILE = (
    "on",
    "No",
    "null",
    "12",
    "1e3",
    "2026-03-02",
    "a: b",
    "a #b",
    "# a",
    "- a",
    "&a",
    "*a",
    "!a",
    "{a}",
    "[a, b]",
    "'",
    '"',
    "a\\b",
    "line\nline",
    "tab\tx",
    "%x",
    ">= 1",
    "|",
    "?",
    ":",
    "a:",
    "µΩ 😀",
)
NAMES = st.from_regex(r"[A-Za-z0-9][A-Za-z0-9._-]{0,20}", fullmatch=True)
TEXTS = st.one_of(st.sampled_from(HOSTILE), st.text(min_size=1, max_size=40))
DAYS = st.dates(min_value=date(1, 1, 1))


@st.composite
def meters(draw: st.DrawFn) -> Registered:
    return Registered(
        draw(NAMES),
        tuple(draw(st.lists(TEXTS, max_size=3))),
        draw(TEXTS),
        draw(st.none() | TEXTS),
        draw(st.none() | DAYS),
        draw(st.none() | DAYS),
        draw(st.none() | TEXTS),
    )


@given(meters())
@example(METER)
@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_what_is_written_is_read_again_exactly_or_refused_and_not_written(
    tmp_path_factory: pytest.TempPathFactory, meter: Registered
) -> None:
    folder = tmp_path_factory.mktemp("home")
    try:
        path = save_instrument(folder, meter)
    except UsageError:
        assert list(folder.iterdir()) == []
        return
    text = path.read_bytes().decode()
    assert parse_instrument(text, str(path)) == meter
    # Another reader of YAML, and one that guesses types, sees the same texts.
    guessed = yaml.safe_load(text)
    assert (guessed["sheet"], guessed.get("certificate"), guessed.get("note")) == (
        meter.sheet,
        meter.certificate,
        meter.note,
    )


@pytest.mark.parametrize("text", HOSTILE)
def test_hostile_texts_are_kept(home: Path, text: str) -> None:
    meter = Registered("DMM-07", (text, f"x {text}"), text, text, DAY, DUE, text)
    assert parse_instrument(save_instrument(home, meter).read_text(encoding="utf-8"), "DMM-07.yaml") == meter


@pytest.mark.parametrize(
    ("meter", "message"),
    [
        (Registered("../DMM", (), "s"), "instrument '../DMM' cannot be kept: instrument '../DMM': expected letters"),
        (Registered("DMM", (), "s", note="\x1b[31m"), r"character U\+001B cannot be seen or printed"),
        (Registered("DMM", (), "s", note=" a"), "a text begins or ends with white space"),
        (Registered("DMM", (), "s", note=""), "note is empty, expected text"),
        (Registered("DMM", (), "s", None, DUE, DAY), "due 2026-03-02 lies before the day of calibration"),
        (Registered("DMM", ("a", "a"), "s"), "identity 'a' is given twice"),
    ],
)
def test_what_no_file_can_hold_is_refused_and_nothing_is_written(home: Path, meter: Registered, message: str) -> None:
    with pytest.raises(UsageError, match=message):
        save_instrument(home, meter)
    assert not home.exists()


def test_a_name_that_some_disks_cannot_tell_from_another_is_refused(home: Path) -> None:
    save_instrument(home, Registered("DMM-07", (), "s"))
    with pytest.raises(UsageError, match="instrument 'DMM-07' is registered, and some disks cannot tell it from this"):
        save_instrument(home, Registered("dmm-07", (), "s"))


def test_a_write_that_breaks_off_leaves_the_old_file(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = save_instrument(home, METER)

    def full(descriptor: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(FileError, match=r"DMM-07\.yaml: cannot be written: No space left on device"):
        save_instrument(home, Registered("DMM-07", (), "cautious-default"))
    assert load_instrument("DMM-07") == METER
    assert [each.name for each in path.parent.iterdir()] == ["DMM-07.yaml"]


# The shelf


def test_nothing_is_registered_at_first(home: Path) -> None:
    assert all_instruments().instruments == ()
    assert recognise("usb:0403:6001:A5XK3RJT") is None
    with pytest.raises(UsageError, match="unknown instrument 'DMM-07'; none is registered yet; add one with: steady"):
        load_instrument("DMM-07")
    assert not home.exists()


def test_an_instrument_is_found_by_its_name_and_by_its_device(home: Path) -> None:
    save_instrument(home, METER)
    put(home, "DMM-08.yaml", BARE)
    assert load_instrument("DMM-07") == METER
    assert [each.name for each in all_instruments().instruments] == ["DMM-07", "DMM-08"]
    assert recognise("ble:C0:FF:EE:01:02:03") == METER
    assert recognise("ble:C0:FF:EE:01:02:04") is None
    with pytest.raises(UsageError, match="unknown instrument 'DMM-09'; known: DMM-07, DMM-08"):
        load_instrument("DMM-09")


def test_two_that_claim_one_device_are_both_named(home: Path) -> None:
    put(home, "DMM-07.yaml", FULL)
    put(home, "DMM-09.yaml", FULL.replace("DMM-07", "DMM-09"))
    with pytest.raises(UsageError, match=r"usb:0403:6001:A5XK3RJT is claimed by DMM-07 and DMM-09; take it out"):
        recognise("usb:0403:6001:A5XK3RJT")


def test_a_broken_one_harms_no_other_but_its_own_device_is_no_stranger(home: Path) -> None:
    put(home, "DMM-07.yaml", FULL.replace("due: 2027-03-02", "due: soon"))
    put(home, "DMM-08.yaml", BARE + "identity: port:COM3\n")
    shelf = all_instruments()
    assert [each.name for each in shelf.instruments] == ["DMM-08"]
    (trouble,) = shelf.troubles
    assert "DMM-07.yaml:6:6: due: 'soon': expected a day" in trouble
    assert recognise("port:COM3") == shelf.instruments[0]
    with pytest.raises(ProcedureError, match="'soon': expected a day"):
        recognise("usb:0403:6001:A5XK3RJT")
    with pytest.raises(ProcedureError, match="'soon': expected a day"):
        load_instrument("DMM-07")


def test_a_file_of_another_name_is_refused_with_what_to_do(home: Path) -> None:
    put(home, "DMM-10.yaml", FULL)
    with pytest.raises(ProcedureError, match=r"DMM-10\.yaml:1:13: instrument 'DMM-07' lies in a file of the name"):
        load_instrument("DMM-10")
    put(home, "DMM-11.yml", FULL.replace("DMM-07", "DMM-11"))
    with pytest.raises(FileError, match=r"DMM-11\.yml: is not read under this name; rename it to DMM-11\.yaml"):
        load_instrument("DMM-11")


def test_lint_also_looks_for_the_sheet(home: Path) -> None:
    text = FULL.replace("six-thousand-counts", "five-thousand")
    (problem,) = instrument_problems(SourceText("DMM-07.yaml", text))
    assert (problem.line, problem.column) == (3, 8)
    assert problem.message.startswith("unknown sheet 'five-thousand'; known: cautious-default, ")
    assert instrument_problems(SourceText("DMM-07.yaml", FULL)) == ()


# The schema


@pytest.fixture(scope="module")
def schema() -> dict[str, Any]:
    return instrument_schema()


def as_editor_sees(text: str) -> Any:
    """Read YAML with YAML 1.2's guesses, which knows numbers and truths but no dates."""
    read = yaml.safe_load(text)
    return {key: value.isoformat() if isinstance(value, date) else value for key, value in read.items()}


def test_it_is_a_schema_of_the_2020_12_dialect_that_explains_every_key(schema: dict[str, Any]) -> None:
    Draft202012Validator.check_schema(schema)  # the metaschema, json-schema.org/draft/2020-12
    assert schema["$schema"] == Draft202012Validator.META_SCHEMA["$id"]
    assert schema["title"] == "Steadypoint instrument"
    assert len(schema["properties"]) == 7
    assert [key for key, value in schema["properties"].items() if "description" not in value] == []


@pytest.mark.parametrize("text", [FULL, BARE, f"{BARE}identity: port:COM3\ncertificate: 118\n"])
def test_good_instruments_are_valid(schema: dict[str, Any], text: str) -> None:
    assert list(Draft202012Validator(schema).iter_errors(as_editor_sees(text))) == []


@pytest.mark.parametrize(
    "spoil",
    [
        lambda meter: meter.pop("instrument"),
        lambda meter: meter.pop("sheet"),
        lambda meter: meter.update(serial="1"),
        lambda meter: meter.update(due="02.03.2027"),
        lambda meter: meter.update(due=None),
        lambda meter: meter.update(identity=[]),
        lambda meter: meter.update(identity=None),
        lambda meter: meter.update(instrument="two words"),
    ],
)
def test_spoilt_instruments_are_not(schema: dict[str, Any], spoil: Callable[[Any], object]) -> None:
    meter = as_editor_sees(FULL)
    assert Draft202012Validator(schema).is_valid(meter)
    spoil(meter)
    assert not Draft202012Validator(schema).is_valid(meter)
