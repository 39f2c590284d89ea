"""`steadypoint history` over a record of visits: who is included, how, and what it prints."""

import json
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from ageing import Lift, meter, start_up
from commands import steadypoint
from meterlink.record.device_key import device_key
from meterlink.record.store import FILE_NAME, Store
from sealed_job import sealed_job


@pytest.fixture(scope="module")
def recorded(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, list[str]]:
    """Five visits to lift `L-17` in which a contact wears; the third was left unsealed. One visit to another lift."""
    home = tmp_path_factory.mktemp("visits")
    key = device_key(home)
    lift = Lift(start_up(), "L-17", meter())
    with Store.open(home) as store:
        jobs = [
            lift.recorded(store, key, number, f"high:B2@{2 * number} Ohm" if number else "none", sealed=number != 2)
            for number in range(5)
        ]
        lift.recorded(store, key, 5, lift="L-18")
    return home, jobs


def told(home: Path, *arguments: str) -> dict[str, Any]:
    result = steadypoint(home, "history", *arguments, "--json")
    assert (result.returncode, result.stderr) == (0, "")
    found = json.loads(result.stdout)
    assert isinstance(found, dict)
    return found


def test_the_visits_of_a_lift_come_oldest_first_with_their_standing(recorded: tuple[Path, list[str]]) -> None:
    home, jobs = recorded
    found = told(home, "L-17")
    assert found["lift"] == "L-17"
    assert [job["job"] for job in found["jobs"]] == jobs
    assert [(job["intact"], job["sealed"]) for job in found["jobs"]] == [
        (True, True),
        (True, True),
        (True, False),
        (True, True),
        (True, True),
    ]
    assert found["jobs"][0]["meters"] == [
        {
            "instrument": "crew 1, meter A",
            "sheet": "six-thousand-counts",
            "calibrated": "2026-01-12",
            "certificate": "C-2026-01-12",
            "calibration": "valid",
        }
    ]


def test_a_series_says_what_its_slope_rests_on(recorded: tuple[Path, list[str]]) -> None:
    home, jobs = recorded
    found = told(home, "L-17")
    (drop,) = [each for each in found["series"] if each["test_points"] == ["X2:3", "B2:12"]]
    assert (drop["what"], drop["situation"], drop["unit"], drop["slope_unit"]) == ("drop", "rest", "V", "V/a")
    assert [point["job"] for point in drop["points"]] == jobs
    # 2 Ohm a quarter at 27 V and 650 Ohm: 0.33 V a year.
    assert drop["slope"] == pytest.approx(0.33, abs=0.04)
    assert drop["slope_interval"][0] < drop["slope"] < drop["slope_interval"][1]
    assert (drop["visits"], drop["degrees_of_freedom"], drop["significant"]) == (5, 3, True)
    assert drop["p"] <= drop["p_adjusted"] <= found["slopes"] * drop["p"]
    reached = drop["limit_reached"]
    assert reached["earliest"] < reached["at"] < reached["latest"]
    assert found["jobs"][-1]["started"] < reached["latest"]


def test_only_sealed_jobs_can_be_asked_for(recorded: tuple[Path, list[str]]) -> None:
    home, jobs = recorded
    found = told(home, "L-17", "--sealed-only")
    assert [job["job"] for job in found["jobs"]] == [*jobs[:2], *jobs[3:]]


@pytest.mark.parametrize("tag", ["l-17", " L-17 "])
def test_case_and_space_at_the_ends_of_a_tag_are_no_matter(recorded: tuple[Path, list[str]], tag: str) -> None:
    home, jobs = recorded
    assert [job["job"] for job in told(home, tag)["jobs"]] == jobs


def test_a_lift_that_is_not_there_names_those_near_it(recorded: tuple[Path, list[str]]) -> None:
    result = steadypoint(recorded[0], "history", "L-177")
    assert (result.returncode, result.stdout) == (2, "")
    assert result.stderr == "steadypoint: no job of lift 'L-177'; did you mean 'L-17' or 'L-18'?\n"
    assert "lifts in the record: L-17, L-18" in steadypoint(recorded[0], "history", "tower").stderr


def test_a_record_without_lifts_says_how_to_name_one(tmp_path: Path) -> None:
    sealed_job(tmp_path)
    assert "steadypoint check --lift TAG" in steadypoint(tmp_path, "history", "L-17").stderr


def test_the_page_says_what_drifts_before_all_else(recorded: tuple[Path, list[str]]) -> None:
    home, _ = recorded
    lines = steadypoint(home, "history", "L-17").stdout.splitlines()
    assert lines[0] == "Lift L-17: 5 visits"
    drift = next(place for place, line in enumerate(lines) if line.startswith("WHAT"))
    assert "X2:3 to B2:12" in lines[drift + 1] or "X2:3 to B2:12" in lines[drift + 2]
    assert "DRIFTS: limit of K1:A1" in lines[drift + 1]
    assert "Not intact or not sealed, and included: visit 3. Without them: --sealed-only" in lines
    assert lines[-1] == "A record of readings, not a permit to use the lift."


def test_an_altered_job_is_included_and_marked(tmp_path: Path) -> None:
    altered = sealed_job(tmp_path, "--lift", "L-17")
    sealed_job(tmp_path, "--lift", "L-17")
    with closing(sqlite3.connect(tmp_path / FILE_NAME)) as file:
        for (trigger,) in file.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            file.execute(f"DROP TRIGGER {trigger}")
        file.execute(
            "UPDATE event SET body = replace(body, 'pass', 'fail') WHERE job = ? AND kind = 'verdict'", (altered,)
        )
        file.commit()
    found = told(tmp_path, "L-17")
    assert [(job["intact"], bool(job["reasons"])) for job in found["jobs"] if job["job"] == altered] == [(False, True)]
    assert len(told(tmp_path, "L-17", "--sealed-only")["jobs"]) == 1


def test_a_log_that_cannot_be_read_does_not_hide_the_others(tmp_path: Path) -> None:
    broken = sealed_job(tmp_path, "--lift", "L-17")
    sealed_job(tmp_path, "--lift", "L-17")
    with closing(sqlite3.connect(tmp_path / FILE_NAME)) as file:
        for (trigger,) in file.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            file.execute(f"DROP TRIGGER {trigger}")
        file.execute("UPDATE event SET body = '{' WHERE job = ? AND kind = 'verdict'", (broken,))
        file.commit()
    jobs = told(tmp_path, "L-17")["jobs"]
    assert {job["job"]: job["not_comparable"] is None for job in jobs} == {
        job["job"]: job["job"] != broken for job in jobs
    }
    assert steadypoint(tmp_path, "history", "L-17").returncode == 0
