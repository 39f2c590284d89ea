"""`steadypoint resume`: what was judged stays, what was waited for is asked again, a record that lies is refused."""

import os
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from commands import Lines, Result, jobs, lines, only, shown, steadypoint
from meterlink.record.lock import recording
from meterlink.record.store import FILE_NAME
from traces import PROCEDURE, Trace, begun, blown_fuse, sound, stored_trace


@pytest.fixture
def home(tmp_path: Path) -> Path:
    return tmp_path / "home"


def run(home: Path, trace: Trace) -> str:
    """Check the small procedure with a trace; return the job's id."""
    path = home.with_name("procedure.yaml")
    path.write_text(PROCEDURE, encoding="utf-8")
    meter = trace.at(home.with_name("first.jsonl"))
    result = steadypoint(home, "check", str(path), "--meter", meter, "--accept-cautions", "--json")
    return str(lines(result.stdout)[0]["job"])


def resume(home: Path, job: str, trace: Trace) -> Result:
    return steadypoint(home, "resume", job, "--meter", trace.at(home.with_name("next.jsonl")), "--json")


def verdicts(events: Lines) -> list[tuple[object, object]]:
    return [(verdict["step"], verdict["outcome"]) for verdict in only(events, "verdict")]


def test_an_interrupted_job_goes_on_where_it_stood(home: Path) -> None:
    job = run(home, begun())
    before = shown(home, job)
    result = resume(home, job, Trace().lift().show("25.58"))
    first, asked, *told = lines(result.stdout)
    assert (result.returncode, result.stderr) == (0, "")
    assert first == {"event": "job", "job": job}
    assert (asked["event"], asked["code"], asked["step"]) == ("cue", "probe", "fuse")
    assert verdicts(told) == [("fuse", "pass")]
    assert (told[-1]["complete"], told[-1]["passed"]) == (True, 3)
    after = shown(home, job)
    assert after[: len(before)] == before
    assert verdicts(after) == [("breaker", "pass"), ("battery", "pass"), ("fuse", "pass")]
    assert [gap["reason"] for gap in only(after, "gap")] == ["ended", "resumed"]


def test_time_goes_on_through_the_break(home: Path) -> None:
    job = run(home, begun())
    resume(home, job, Trace().lift().show("25.58"))
    times = [event["t"] for event in shown(home, job) if event["event"] in ("reading", "gap", "input")]
    assert times == sorted(times, key=lambda t: float(str(t)))


def test_a_wall_clock_that_was_set_back_meanwhile_does_no_harm(home: Path) -> None:
    """The job's own time never steps, though its last line is a touch that ended before the reading that told of it."""
    job = run(home, begun(interval_s=1.0).lift())
    with closing(sqlite3.connect(home / FILE_NAME)) as file, file:
        for (trigger,) in file.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            file.execute(f"DROP TRIGGER {trigger}")
        file.execute("UPDATE event SET utc_ns = utc_ns + 3600000000000")
        file.execute("DELETE FROM event WHERE seq > (SELECT max(seq) FROM event WHERE kind = 'touch')")
    result = resume(home, job, Trace().lift().show("25.58"))
    assert (result.returncode, verdicts(lines(result.stdout))) == (0, [("fuse", "pass")])


def test_a_job_can_be_broken_off_and_resumed_many_times(home: Path) -> None:
    job = run(home, Trace().lift())
    for trace in (Trace().answer("confirm"), Trace().lift(), Trace().lift().show("25.61"), Trace().lift()):
        assert resume(home, job, trace).returncode == 3
    assert resume(home, job, Trace().lift().show("25.58")).returncode == 0
    assert verdicts(shown(home, job)) == [("breaker", "pass"), ("battery", "pass"), ("fuse", "pass")]


def test_a_job_that_a_fail_stopped_asks_for_that_step_again(home: Path) -> None:
    path = home.with_name("stops-early.yaml")
    head, battery, fuse = PROCEDURE.partition("  - id: battery")
    path.write_text(head.rstrip() + "\n    on_fail: stop\n" + battery + fuse, encoding="utf-8")
    meter = Trace().lift().answer("refuse").at(home.with_name("first.jsonl"))
    stopped = steadypoint(home, "check", str(path), "--meter", meter, "--accept-cautions", "--json")
    assert (stopped.returncode, lines(stopped.stdout)[-1]["not_judged"]) == (1, ["battery", "fuse"])
    job = str(jobs(home)[0]["job"])
    assert jobs(home)[0]["state"] == "stopped"
    result = resume(home, job, sound())
    asked = lines(result.stdout)[1]
    assert (asked["code"], asked["step"]) == ("look", "breaker")
    assert (result.returncode, lines(result.stdout)[-1]["passed"]) == (0, 3)
    assert verdicts(shown(home, job))[:2] == [("breaker", "fail"), ("breaker", "pass")]
    assert jobs(home)[0]["state"] == "complete"


@pytest.mark.parametrize("trace", [sound(), blown_fuse()], ids=["passed", "with a fail"])
def test_a_complete_job_is_refused(home: Path, trace: Trace) -> None:
    job = run(home, trace)
    before = shown(home, job)
    result = resume(home, job, sound())
    assert (result.returncode, result.stdout) == (2, "")
    assert result.stderr == (
        f"steadypoint: job {job} is complete; there is nothing to resume. `steadypoint show {job}`\n"
    )
    assert shown(home, job) == before


def test_an_unknown_job_is_refused_and_the_nearest_named(home: Path) -> None:
    job = run(home, begun())
    result = resume(home, job[:-1], sound())
    assert (result.returncode, result.stdout) == (2, "")
    assert result.stderr == f"steadypoint: no job {job[:-1]!r}; nearest: {job}\n"


def test_a_job_that_is_being_recorded_is_refused_and_its_recorder_named(home: Path) -> None:
    job = run(home, begun())
    before = shown(home, job)
    with recording(home, job):
        result = resume(home, job, sound())
    assert (result.returncode, result.stdout) == (2, "")
    assert result.stderr.startswith(
        f"steadypoint: job {job} is being recorded by another Steadypoint (process {os.getpid()})"
    )
    assert shown(home, job) == before


@pytest.mark.parametrize(
    "change",
    [
        "UPDATE event SET body = replace(body, '25.61', '25.16') WHERE kind = 'verdict'",
        "UPDATE event SET body = replace(body, '\"pass\"', '\"fail\"') WHERE kind = 'verdict'",
        "UPDATE event SET body = replace(body, '25.61', '23.61') WHERE kind = 'reading'",
        "UPDATE event SET kind = 'note' WHERE kind = 'cue'",
        "DELETE FROM event WHERE kind = 'verdict'",
        "DELETE FROM event WHERE kind = 'input'",
        "DELETE FROM event WHERE seq > (SELECT max(seq) FROM event WHERE kind = 'verdict')",
    ],
    ids=["value", "outcome", "readings", "no cues", "no verdicts", "no answer", "cut short"],
)
def test_a_record_that_somebody_changed_is_refused(home: Path, change: str) -> None:
    job = run(home, begun())
    with closing(sqlite3.connect(home / FILE_NAME)) as file, file:
        for (trigger,) in file.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            file.execute(f"DROP TRIGGER {trigger}")
        assert file.execute(change).rowcount > 0
    before = shown(home, job)
    result = resume(home, job, Trace().lift().show("25.58"))
    assert (result.returncode, result.stdout) == (2, "")
    assert result.stderr.startswith(f"steadypoint: job {job} does not replay: ")
    assert result.stderr.count("\n") == 1
    assert shown(home, job) == before


def test_the_simulated_technician_goes_on_behind_the_isolation_with_the_supply_off(home: Path) -> None:
    """The job is broken off at the dead step; a lift that came back live would fail it."""
    meter = "sim:healthy?speed=max&seed=5"
    result = steadypoint(home, "check", "start-up", "--meter", meter, "--accept-cautions", "--json")
    told = lines(result.stdout)
    full = str(told[0]["job"])
    readings = [event for event in shown(home, full) if event["event"] in ("reading", "input")]
    cut = next(event["t"] for event in told if event.get("step") == "proved-dead")
    part = home.with_name("part.jsonl")
    part.write_text(stored_trace(readings, float(str(cut))), encoding="utf-8")
    arguments = ("check", "start-up", "--meter", f"trace:{part}", "--accept-cautions", "--json")
    first = lines(steadypoint(home, *arguments).stdout)
    assert first[-1]["not_judged"] == ["proved-dead", "edge-apart", "edge-loop"]
    resumed = steadypoint(home, "resume", str(first[0]["job"]), "--meter", meter, "--json")
    assert (resumed.returncode, lines(resumed.stdout)[-1]["passed"]) == (0, 25)
