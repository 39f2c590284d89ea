"""`steadypoint sheets`, `instruments` and `register`, and sheets and instruments in `lint` and `schema`."""

import json
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest

from commands import Result, lines, steadypoint, steadypoint_apart
from meterlink.instruments.instrument_file import parse_instrument
from meterlink.instruments.schema import instrument_schema, sheet_schema

BAD = 2
SHEET = """\
sheet: mine
title: A meter of mine
functions:
  dc-voltage:
    - {range: 40 V, resolution: 0.01 V, reading: 0.5 %, counts: 2, impedance: 10 MOhm}
    - {range: 400 mV, resolution: 0.1 mV, reading: 0.80 %, counts: 2.5}
  resistance:
    - {range: 4 MOhm, resolution: 1 kOhm, reading: 1.0 %, counts: 3, test_current: 1 uA, updates: 2.5}
"""


def day(offset: int) -> date:
    """A day so many days from today."""
    return datetime.now(UTC).astimezone().date() + timedelta(offset)


def own_sheet(home: Path, text: str = SHEET) -> Path:
    path = home / "sheets" / "mine.yaml"
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text, encoding="utf-8")
    return path


def register(home: Path, *arguments: str) -> Result:
    result = steadypoint(home, "register", *arguments)
    assert result.returncode == 0, result.stderr
    return result


# sheets


def test_every_sheet_is_listed_with_title_and_functions(tmp_path: Path) -> None:
    own_sheet(tmp_path)
    shown = steadypoint(tmp_path, "sheets").stdout.splitlines()
    assert shown[0].split() == ["SHEET", "TITLE", "FUNCTIONS"]
    assert [line.split()[0] for line in shown[1:]] == [
        "cautious-default",
        "four-thousand-counts",
        "mine",
        "six-thousand-counts",
    ]
    listed = {str(each["sheet"]): each for each in lines(steadypoint(tmp_path, "sheets", "--json").stdout)}
    assert listed["mine"] == {
        "sheet": "mine",
        "title": "A meter of mine",
        "source": "",
        "functions": ["dc-voltage", "resistance"],
    }


def test_a_broken_sheet_is_told_and_hides_no_other(tmp_path: Path) -> None:
    own_sheet(tmp_path, SHEET.replace("40 V", "40"))
    result = steadypoint(tmp_path, "sheets", "--json")
    assert result.returncode == 0
    assert "mine.yaml:5:15: range: '40': the unit is missing" in result.stderr
    assert len(lines(result.stdout)) == 3


def test_a_sheet_is_shown_in_the_units_people_use(tmp_path: Path) -> None:
    own_sheet(tmp_path)
    assert steadypoint(tmp_path, "sheets", "mine").stdout.splitlines() == [
        "A meter of mine",
        "FUNCTION    RANGE   RESOLUTION  ACCURACY        IMPEDANCE  TEST CURRENT  UPDATES       "
        "TEMPERATURE  EACH KELVIN OUTSIDE",
        "dc-voltage  400 mV  0.1 mV      ±(0.8 % + 2.5)                                         "
        "18..28 °C    0.1 x accuracy",
        "dc-voltage  40 V    0.01 V      ±(0.5 % + 2)    10 MOhm                                "
        "18..28 °C    0.1 x accuracy",
        "resistance  4 MOhm  0.001 MOhm  ±(1 % + 3)                 1 uA          2.5 a second  "
        "18..28 °C    0.1 x accuracy",
    ]


def test_nobody_reads_of_kilovolts_and_what_is_never_stated_has_no_column(tmp_path: Path) -> None:
    shown = steadypoint(tmp_path, "sheets", "cautious-default").stdout
    assert "dc-voltage   6000 V    1 V " in shown
    assert "kV" not in shown
    assert "TEST CURRENT" not in shown


def test_a_sheet_of_a_file_is_shown_as_json(tmp_path: Path) -> None:
    (shown,) = lines(steadypoint(tmp_path, "sheets", str(own_sheet(tmp_path)), "--json").stdout)
    functions = shown["functions"]
    assert isinstance(functions, dict)
    assert functions["dc-voltage"][1] == {
        "unit": "V",
        "range": 40.0,
        "resolution": 0.01,
        "reading": 0.005,
        "counts": 2.0,
        "impedance": 1e7,
        "test_current": None,
        "updates": None,
        "temperature": {"from": 18.0, "to": 28.0, "accuracy_per_kelvin": 0.1, "reading_per_kelvin": 0.0},
    }


def test_an_unknown_sheet_lists_the_known_ones(tmp_path: Path) -> None:
    result = steadypoint(tmp_path, "sheets", "five-thousand")
    assert (result.returncode, result.stdout) == (BAD, "")
    assert "unknown sheet 'five-thousand'; known: cautious-default, four-thousand-counts, six-" in result.stderr


# register and instruments


def test_nothing_is_registered_at_first(tmp_path: Path) -> None:
    result = steadypoint(tmp_path, "instruments")
    assert (result.returncode, result.stdout) == (0, "")
    assert "steadypoint register NAME --sheet SHEET" in result.stderr


def test_how_the_calibration_stands_depends_on_the_day(tmp_path: Path) -> None:
    for name, calibrated, due in (("A-1", -30, 335), ("A-2", -366, -1), ("A-3", 2, 367)):
        result = register(
            tmp_path,
            *(name, "--sheet", "six-thousand-counts", "--certificate", f"C-{name}"),
            *("--calibrated", str(day(calibrated)), "--due", str(day(due))),
        )
        assert result.stdout.startswith(f"{name} is registered: sheet six-thousand-counts, calibration ")
    register(tmp_path, "A-4", "--sheet", "cautious-default")
    listed = lines(steadypoint(tmp_path, "instruments", "--json").stdout)
    assert {each["instrument"]: each["calibration"] for each in listed} == {
        "A-1": "valid",
        "A-2": "overdue",
        "A-3": "missing",
        "A-4": "missing",
    }
    assert listed[0] == {
        "instrument": "A-1",
        "sheet": "six-thousand-counts",
        "certificate": "C-A-1",
        "calibrated": str(day(-30)),
        "due": str(day(335)),
        "calibration": "valid",
        "identities": [],
        "note": None,
    }
    head, first, *_ = steadypoint(tmp_path, "instruments").stdout.splitlines()
    assert head.split() == ["INSTRUMENT", "SHEET", "CERTIFICATE", "CALIBRATED", "DUE", "CALIBRATION", "IDENTITY"]
    assert first.split() == ["A-1", "six-thousand-counts", "C-A-1", str(day(-30)), str(day(335)), "valid"]


def test_what_a_call_does_not_name_is_kept_and_said(tmp_path: Path) -> None:
    register(tmp_path, "A-1", "--sheet", "six-thousand-counts", "--certificate", "C-1", "--meter", "tcp:10.0.0.7:5025")
    again = register(tmp_path, "A-1", "--note", "leads: replaced", "--meter", "tcp:10.0.0.8:5025")
    assert "Kept as it was: sheet six-thousand-counts, certificate C-1, identity tcp:10.0.0.7:5025." in again.stdout
    path = tmp_path / "instruments" / "A-1.yaml"
    kept = parse_instrument(path.read_text(encoding="utf-8"), str(path))
    assert (kept.certificate, kept.note) == ("C-1", "leads: replaced")
    assert kept.identities == ("tcp:10.0.0.7:5025", "tcp:10.0.0.8:5025")
    assert register(tmp_path, "A-1", "--meter", "tcp:10.0.0.8:5025").returncode == 0
    assert parse_instrument(path.read_text(encoding="utf-8"), str(path)) == kept


def test_a_sheet_given_as_a_file_is_found_from_every_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    own_sheet(tmp_path)
    monkeypatch.chdir(tmp_path / "sheets")
    register(tmp_path, "A-1", "--sheet", "./mine.yaml")
    monkeypatch.chdir(tmp_path)
    result = steadypoint(tmp_path, "instruments", "--json")
    assert (lines(result.stdout)[0]["sheet"], result.stderr) == (str(tmp_path / "sheets" / "mine.yaml"), "")


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        ((), "meter 'A-1' is not registered yet: add --sheet, one of cautious-default, "),
        (("--sheet", "five-thousand"), "unknown sheet 'five-thousand'; known: cautious-default, "),
        (("--sheet", "cautious-default", "--due", "02.03.2026"), "--due '02.03.2026': expected a day"),
        (("--sheet", "cautious-default", "--calibrated", "2026-02-30"), "--calibrated '2026-02-30': there is no such"),
        (("--sheet", "cautious-default", "--calibrated", "2026-03-02", "--due", "2026-03-01"), "lies before the day"),
        (("--sheet", "cautious-default", "--note", "\x1b[31m"), "character U+001B cannot be seen or printed"),
        (("--sheet", "cautious-default", "--meter", "trace:readings.jsonl"), "there is no meter to register"),
        (("--sheet", "cautious-default", "--meter", "serial:/dev/ttyNONE9"), "serial port /dev/ttyNONE9 is absent"),
        (("--sheet", "cautious-default", "--meter", "carrier-pigeon:7"), "unknown scheme 'carrier-pigeon'"),
    ],
)
def test_what_cannot_be_is_refused_and_nothing_is_written(
    tmp_path: Path, arguments: tuple[str, ...], said: str
) -> None:
    result = steadypoint(tmp_path, "register", "A-1", *arguments)
    assert (result.returncode, result.stdout) == (BAD, "")
    assert said in result.stderr
    assert not (tmp_path / "instruments").exists()


def test_a_device_that_belongs_to_another_meter_is_refused(tmp_path: Path) -> None:
    register(tmp_path, "A-1", "--sheet", "cautious-default", "--meter", "tcp:10.0.0.7:5025")
    result = steadypoint(tmp_path, "register", "A-2", "--sheet", "cautious-default", "--meter", "tcp:10.0.0.7:5025")
    assert result.returncode == BAD
    assert "tcp:10.0.0.7:5025 belongs to A-1 already; take it out of that meter's file first" in result.stderr
    assert not (tmp_path / "instruments" / "A-2.yaml").exists()


def test_a_calibration_that_lacks_something_is_taken_with_a_warning(tmp_path: Path) -> None:
    result = register(tmp_path, "A-1", "--sheet", "cautious-default", "--due", str(day(30)))
    assert "calibration missing" in result.stdout
    assert "due without certificate and calibrated: the calibration counts as missing" in result.stderr


def test_a_broken_file_is_told_never_written_over_and_hides_no_other(tmp_path: Path) -> None:
    register(tmp_path, "A-2", "--sheet", "cautious-default")
    broken = tmp_path / "instruments" / "A-1.yaml"
    broken.write_text("instrument: A-1\nsheet: cautious-default\ndue: soon\n", encoding="utf-8")
    result = steadypoint(tmp_path, "instruments", "--json")
    assert [each["instrument"] for each in lines(result.stdout)] == ["A-2"]
    assert "A-1.yaml:3:6: due: 'soon': expected a day" in result.stderr
    assert steadypoint(tmp_path, "register", "A-1", "--sheet", "cautious-default").returncode == BAD
    assert "soon" in broken.read_text(encoding="utf-8")


def test_a_sheet_that_is_gone_is_told(tmp_path: Path) -> None:
    path = own_sheet(tmp_path)
    register(tmp_path, "A-1", "--sheet", "mine")
    path.unlink()
    assert "A-1: unknown sheet 'mine'; known: cautious-default" in steadypoint(tmp_path, "instruments").stderr


# lint and schema


def test_lint_tells_sheets_and_instruments_by_their_first_key(tmp_path: Path) -> None:
    sheet = own_sheet(tmp_path)
    register(tmp_path, "A-1", "--sheet", "mine")
    meter = tmp_path / "instruments" / "A-1.yaml"
    assert steadypoint(tmp_path, "lint", str(sheet), str(meter)) == Result(0, "", "")
    own_sheet(tmp_path, SHEET.replace("range: 40 V", "range: 40 A").replace("0.1 mV", "10 mV"))
    meter.write_text("instrument: A-2\nsheet: five\n", encoding="utf-8")
    result = steadypoint(tmp_path, "lint", str(sheet), str(meter))
    assert result.returncode == BAD
    assert [line.removeprefix(f"{tmp_path}/") for line in result.stdout.splitlines()] == [
        "sheets/mine.yaml:5:15: error: range in A, but dc-voltage is measured in V",
        "sheets/mine.yaml:6:35: warning: a range of 0.400 V in steps of 0.010 V has 40 counts; is that meant?",
        "instruments/A-1.yaml:1:13: error: instrument 'A-2' lies in a file of the name 'A-1'",
        "instruments/A-1.yaml:2:8: error: unknown sheet 'five'; known: cautious-default, four-thousand-counts, "
        "mine, six-thousand-counts",
    ]


def test_schema_prints_both(tmp_path: Path) -> None:
    assert json.loads(steadypoint(tmp_path, "schema", "sheet").stdout) == sheet_schema()
    assert json.loads(steadypoint(tmp_path, "schema", "instrument").stdout) == instrument_schema()


def test_the_commands_work_in_a_process_of_their_own(tmp_path: Path) -> None:
    result = steadypoint_apart(tmp_path, "sheets", "cautious-default")
    assert (result.returncode, result.stderr) == (0, "")
    assert "±(2 % + 5)" in result.stdout
