import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from meterlink.cli import cli
from meterlink.driver import Notice
from meterlink.errors import RecordError
from meterlink.home import VARIABLE
from meterlink.outcome import Answer, Break, Gap, Input, TouchOutcome, VerdictOutcome
from meterlink.record.codec import start_entry, to_entry
from meterlink.record.store import Store
from record_samples import at, begin, end, probe, reading, touch, verdict

PASS, FAIL, _, _ = VerdictOutcome
ITEMS = (
    probe("battery", 0),
    reading("25.60", 1000),
    verdict("battery", "25.60", PASS, 1000),
    touch("battery", "25.60", 800, 1400),
    Gap(at(1500), Break.LINK_LOST),
    touch("fuse", "0.31", 2000, 2400, TouchOutcome.UNSTEADY),
    verdict("fuse", "0.02", FAIL, 3000),
    Input(Answer.REPEAT, at(3500)),
    Notice("error", "-113", "Undefined header", at(3600), b'-113,"Undefined header"\n'),
    verdict("fuse", "0.03", FAIL, 4000),
    end(4000, complete=False, lost_between=("G1:+", "F1:2")),
)


@pytest.fixture
def job(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    """A job that a fail stopped before its first step had an answer."""
    monkeypatch.setenv(VARIABLE, str(tmp_path))
    with Store.open(tmp_path) as store:
        return begin(
            store, [start_entry(("Prove dead before you touch.",), at(0)), *(to_entry(item) for item in ITEMS)]
        )


def test_a_job_is_shown_with_its_steps_in_the_procedures_order(job: str) -> None:
    result = CliRunner().invoke(cli, ["show", job])
    assert result.exit_code == 0
    assert result.stdout.splitlines() == [
        f"Job        {job}",
        "Procedure  two-points rev 7: Two points of an invented lift",
        "Meter      sim:healthy",
        "Software   steadypoint 0.1.0",
        "Started    2026-11-25 10:20:00+01:00",
        "Ended      2026-11-25 10:20:04+01:00",
        "State      stopped before its end: 1 passed, 1 failed, 0 unclear, 1 not judged",
        "",
        "STEP     POINT  VALUE    LIMITS        VERDICT     ATTEMPTS  TIME      WHY",
        "breaker  Q1                            not judged",
        "battery  G1:+   25.60 V  23.5..29.0 V  PASS        1         10:20:01",
        "fuse     F1:2   0.03 V   23.5..29.0 V  FAIL        2         10:20:04  Why it is fail.",
        "",
        "Touches that gave no verdict:",
        "10:20:02  fuse  0.31 V  unsteady",
        "",
        "The voltage is lost between G1:+ and F1:2.",
        "A record of readings, not a permit to use the lift.",
    ]


def test_a_job_that_broke_off_says_so(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(VARIABLE, str(tmp_path))
    with Store.open(tmp_path) as store:
        job = begin(store, [to_entry(verdict("breaker", None, PASS, 1000))])
    lines = CliRunner().invoke(cli, ["show", job]).stdout.splitlines()
    assert "Ended      not ended" in lines
    assert "State      not ended: 1 passed, 0 failed, 0 unclear, 2 not judged" in lines
    assert "breaker  Q1                    PASS        1         10:20:01" in lines
    assert "Touches that gave no verdict:" not in lines
    assert lines[-2:] == ["", "A record of readings, not a permit to use the lift."]


def test_json_lines_hold_every_event_in_order_as_it_was_announced(job: str) -> None:
    first, *rest = [json.loads(line) for line in CliRunner().invoke(cli, ["show", job, "--json"]).stdout.splitlines()]
    assert (first["event"], first["job"], first["state"], first["failed"]) == ("job", job, "stopped", 1)
    assert [line["seq"] for line in rest] == list(range(1, len(ITEMS) + 2))
    assert rest[0]["acknowledged"] == ["Prove dead before you touch."]
    for line, item in zip(rest[1:], ITEMS, strict=True):
        if hasattr(item, "as_json"):
            extra = {"job"} if line["event"] == "end" else set()
            assert {key: line[key] for key in line.keys() - {"seq", "utc"} - extra} == item.as_json()


def test_a_json_reading_carries_its_frame_and_both_times(job: str) -> None:
    lines = map(json.loads, CliRunner().invoke(cli, ["show", job, "--json"]).stdout.splitlines())
    shown = next(line for line in lines if line["event"] == "reading")
    assert shown == {
        "event": "reading",
        "display": "25.60",
        "unit": "V",
        "function": "dc-voltage",
        "scale": 0,
        "flags": ["auto-range"],
        "t": 1.0,
        "raw": "1b0032352e3630",
        "seq": 3,
        "utc": "2026-11-25T09:20:01.000000005Z",
    }


def test_json_shows_what_is_no_outcome_too(job: str) -> None:
    lines = [json.loads(line) for line in CliRunner().invoke(cli, ["show", job, "--json"]).stdout.splitlines()]
    found = {line["event"]: line for line in lines}
    assert (found["gap"]["reason"], found["gap"]["t"]) == ("link-lost", 1.5)
    assert (found["input"]["input"], found["input"]["t"]) == ("repeat", 3.5)
    assert (found["note"]["about"], found["note"]["code"]) == ("meter-error", "-113")
    assert bytes.fromhex(found["note"]["raw"]) == b'-113,"Undefined header"\n'
    assert (found["end"]["job"], found["end"]["lost_between"]) == (lines[0]["job"], ["G1:+", "F1:2"])


def test_an_unknown_job_is_an_error_that_names_the_nearest(job: str) -> None:
    result = CliRunner().invoke(cli, ["show", "20261125"])
    assert isinstance(result.exception, RecordError)
    assert job in str(result.exception)
