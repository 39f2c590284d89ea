"""`steadypoint export --as csv` and `--as senml`: safe in a spreadsheet, and by the standards' own examples."""

import csv
import io
import json
from decimal import Decimal
from pathlib import Path

import pytest

from commands import shown, steadypoint
from meterlink.note import Note
from meterlink.outcome import VerdictOutcome
from meterlink.reading import FAHRENHEIT, Function, Reading
from meterlink.record.codec import to_entry
from meterlink.record.entry import Entry
from meterlink.record.store import Store
from meterlink.record.table import HEAD, safe
from record_samples import STARTED_UTC_NS, at, begin, verdict
from sealed_job import sealed_job
from senml_resolver import resolve

# OWASP, "CSV Injection" (owasp.org/www-community/attacks/CSV_Injection): the characters that a cell must not begin
# with, and the page's own payloads.
FORMULAS = [
    "=1+2",
    '=1+2";=1+2',
    "=1+2'\" ;,=1+2",
    "+1+2",
    "-1+2",
    "@SUM(1+1)*cmd|' /C calc'!A0",
    "\t=1+2",
    "\r=1+2",
    "\n=1+2",
    "\N{FULLWIDTH EQUALS SIGN}1+2",
    "\N{FULLWIDTH PLUS SIGN}1+2",
    "\N{FULLWIDTH HYPHEN-MINUS}1+2",
    "\N{FULLWIDTH COMMERCIAL AT}SUM(1)",
    "-OL",
]

# RFC 8428, section 5.1.3, and the same resolved, section 5.1.4; typed from memory of the RFC.
MULTIPLE = """[
  {"bn":"urn:dev:ow:10e2073a01080063","bt":1.320067464e+09, "bu":"%RH","v":20},
  {"u":"lon","v":24.30621},
  {"u":"lat","v":60.07965},
  {"t":60,"v":20.3},
  {"u":"lon","t":60,"v":24.30622},
  {"u":"lat","t":60,"v":60.07965},
  {"t":120,"v":20.7},
  {"u":"lon","t":120,"v":24.30623},
  {"u":"lat","t":120,"v":60.07966},
  {"u":"%EL","t":150,"v":98},
  {"t":180,"v":21.2},
  {"u":"lon","t":180,"v":24.30628},
  {"u":"lat","t":180,"v":60.07967}
]"""
RESOLVED = [
    ("%RH", 1320067464, "20"),
    ("lon", 1320067464, "24.30621"),
    ("lat", 1320067464, "60.07965"),
    ("%RH", 1320067524, "20.3"),
    ("lon", 1320067524, "24.30622"),
    ("lat", 1320067524, "60.07965"),
    ("%RH", 1320067584, "20.7"),
    ("lon", 1320067584, "24.30623"),
    ("lat", 1320067584, "60.07966"),
    ("%EL", 1320067614, "98"),
    ("%RH", 1320067644, "21.2"),
    ("lon", 1320067644, "24.30628"),
    ("lat", 1320067644, "60.07967"),
]

# RFC 8428, section 12.1: the units of the registry that a multimeter measures in; / is preferred to %.
REGISTERED = {"V", "A", "Ohm", "Hz", "F", "Cel", "/"}


def stored(home: Path, *entries: Entry) -> str:
    home.mkdir()
    with Store.open(home) as store:
        return begin(store, entries)


def exported(home: Path, job: str, form: str) -> bytes:
    path = home / f"out.{form}"
    result = steadypoint(home, "export", job, "--as", form, "-o", str(path))
    assert (result.returncode, result.stderr) == (0, "")
    return path.read_bytes()


@pytest.mark.parametrize("text", FORMULAS)
def test_what_a_spreadsheet_might_run_begins_with_a_quote(text: str) -> None:
    assert safe(text) == f"'{text}"


@pytest.mark.parametrize("text", ["-0.05", "+24.1", "24.10", "1e-07", "-1.5e-07", "X1:4", "", "a=1", "2026-11-25"])
def test_numbers_and_plain_words_stay_as_they_are(text: str) -> None:
    assert safe(text) == text


@pytest.mark.parametrize("text", FORMULAS)
def test_no_cell_of_an_export_begins_as_a_formula(tmp_path: Path, text: str) -> None:
    job = stored(tmp_path / "home", to_entry(Note(text, text, at(5), None)))
    content = exported(tmp_path / "home", job, "csv").decode()
    cells = [cell for row in csv.reader(io.StringIO(content, newline=""), strict=True) for cell in row]
    assert f"'{text}" in cells
    assert not [cell for cell in cells if cell.startswith(("=", "+", "-", "@", "\t", "\r", "\n"))]


def test_the_table_is_that_of_rfc_4180(tmp_path: Path) -> None:
    """RFC 4180, section 2: CRLF behind each record, a header, as many fields in each, quotes doubled inside quotes."""
    said = 'He said "no", then\r\nleft.'
    job = stored(tmp_path / "home", to_entry(Note(said, "office", at(5), None)))
    content = exported(tmp_path / "home", job, "csv")
    assert content.endswith(b"\r\n")
    assert b'"He said ""no"", then\r\nleft."' in content
    head, row = csv.reader(io.StringIO(content.decode(), newline=""), strict=True)
    assert tuple(head) == HEAD
    assert dict(zip(head, row, strict=True))["text"] == said


def test_the_table_holds_every_event_with_its_value(tmp_path: Path) -> None:
    job = sealed_job(tmp_path / "home")
    content = exported(tmp_path / "home", job, "csv").decode()
    rows = list(csv.DictReader(io.StringIO(content, newline="")))
    events = shown(tmp_path / "home", job)
    assert [row["kind"] for row in rows] == [event["event"] for event in events]
    verdicts = [(row["step"], row["what"], row["value"], row["unit"]) for row in rows if row["kind"] == "verdict"]
    assert verdicts == [
        ("breaker", "pass", "", ""),
        ("battery", "pass", "25.61", "V"),
        ("fuse", "pass", "25.58", "V"),
    ]


def test_the_resolver_of_these_tests_does_what_the_rfc_s_example_does() -> None:
    resolved = resolve(json.loads(MULTIPLE))
    assert [(each["u"], each["t"], each["v"]) for each in resolved] == [
        (unit, time, Decimal(value)) for unit, time, value in RESOLVED
    ]
    assert {each["n"] for each in resolved} == {"urn:dev:ow:10e2073a01080063"}


def shows(display: str, function: Function, scale: int = 0, unit: str | None = None) -> Entry:
    return to_entry(Reading(display, function.unit if unit is None else unit, function, at(1500), scale))


def test_measurements_are_senml_with_registered_units_and_exact_times(tmp_path: Path) -> None:
    entries = (
        shows("24.1", Function.DC_VOLTAGE, -3),
        shows("-OL", Function.RESISTANCE),
        shows("", Function.RESISTANCE),
        shows("47.5", Function.DUTY),
        shows("70.1", Function.TEMPERATURE, unit=FAHRENHEIT),
        shows("5", Function.NUMBER),
        to_entry(verdict("battery", "25.60", VerdictOutcome.PASS, 2000)),
        to_entry(verdict("breaker", None, VerdictOutcome.FAIL, 2000)),
    )
    job = stored(tmp_path / "home", *entries)
    pack = json.loads(exported(tmp_path / "home", job, "senml"))
    assert pack[0]["bn"] == f"{job}/"
    assert pack[0]["bt"] == STARTED_UTC_NS // 10**9
    resolved = resolve(pack)
    told = [(each["n"].removeprefix(f"{job}/"), each.get("u"), each.get("v", each.get("vs"))) for each in resolved]
    assert told == [
        ("dc-voltage", "V", Decimal("0.0241")),
        ("resistance", None, "-OL"),
        ("duty", "/", Decimal("0.475")),
        ("temperature-degF", None, Decimal("70.1")),
        ("number", None, Decimal(5)),
        ("step/battery/verdict", None, "pass"),
        ("step/battery/value", "V", Decimal("25.60")),
        ("step/breaker/verdict", None, "fail"),
    ]
    assert {unit for _, unit, _ in told} - {None} <= REGISTERED
    assert {each["t"] for each in resolved} == {
        Decimal(STARTED_UTC_NS + milliseconds * 10**6).scaleb(-9) for milliseconds in (1500, 2000)
    }


def test_names_are_those_that_the_rfc_allows(tmp_path: Path) -> None:
    """RFC 8428, section 4.5.1: letters, digits, - : . / _ and none of these but a letter or digit in front."""
    job = sealed_job(tmp_path / "home")
    for record in resolve(json.loads(exported(tmp_path / "home", job, "senml"))):
        assert record["n"][0].isalnum()
        assert all(sign.isascii() and (sign.isalnum() or sign in "-:./_") for sign in record["n"])


def test_a_job_without_readings_is_an_empty_pack(tmp_path: Path) -> None:
    assert json.loads(exported(tmp_path / "home", stored(tmp_path / "home"), "senml")) == []


def test_every_function_that_is_judged_has_a_registered_unit() -> None:
    units = {function.unit for function in Function if function.judged}
    assert units - {"%"} <= REGISTERED
