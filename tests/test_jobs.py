import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from meterlink.cli import cli
from meterlink.home import VARIABLE
from meterlink.outcome import VerdictOutcome
from meterlink.reading import NS_PER_S
from meterlink.record.codec import to_entry
from meterlink.record.store import Store
from record_samples import STARTED_UTC_NS, begin, end, verdict


@pytest.fixture(autouse=True)
def _home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(VARIABLE, str(tmp_path))


@pytest.fixture
def jobs(tmp_path: Path) -> tuple[str, str]:
    """One job that broke off, and a later one that a fail stopped."""
    with Store.open(tmp_path) as store:
        first = begin(store, [to_entry(verdict("battery", "25.60", VerdictOutcome.PASS, 1000))])
        outcomes = (
            verdict("battery", "25.60", VerdictOutcome.PASS, 1000),
            verdict("fuse", "0.02", VerdictOutcome.FAIL, 2000),
            end(2000, complete=False),
        )
        second = begin(store, [to_entry(item) for item in outcomes], started_utc_ns=STARTED_UTC_NS + 3600 * NS_PER_S)
    return first, second


def test_jobs_are_listed_newest_first_in_their_local_time(jobs: tuple[str, str]) -> None:
    result = CliRunner().invoke(cli, ["jobs"])
    assert result.exit_code == 0
    assert result.stdout.splitlines() == [
        "JOB            STARTED                    PROCEDURE         STATE                   PASSED  FAILED  UNCLEAR",
        f"{jobs[1]}  2026-11-25 11:20:00+01:00  two-points rev 7  stopped before its end  1       1       0",
        f"{jobs[0]}  2026-11-25 10:20:00+01:00  two-points rev 7  not ended               1       0       0",
    ]


def test_jobs_come_as_json_lines(jobs: tuple[str, str]) -> None:
    result = CliRunner().invoke(cli, ["jobs", "--json"])
    lines = [json.loads(line) for line in result.stdout.splitlines()]
    assert [(line["job"], line["state"], line["passed"], line["failed"], line["unclear"]) for line in lines] == [
        (jobs[1], "stopped", 1, 1, 0),
        (jobs[0], "interrupted", 1, 0, 0),
    ]
    assert (lines[1]["started"], lines[1]["utc_offset_s"]) == ("2026-11-25T09:20:00.000000005Z", 3600)


@pytest.mark.parametrize("options", [[], ["--json"]])
def test_an_empty_record_says_so_and_is_no_error(options: list[str]) -> None:
    result = CliRunner().invoke(cli, ["jobs", *options])
    assert (result.exit_code, result.stdout) == (0, "")
    assert "No job is in the record yet" in result.stderr
