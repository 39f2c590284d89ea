"""`steadypoint check`: its JSON lines are a contract, so are its exit statuses, and what is told is in the record."""

import os
import signal
from collections.abc import Sequence
from pathlib import Path

import pytest

from commands import Result, jobs, lines, only, shown, started, steadypoint, steadypoint_apart
from meterlink.errors import RecordError
from meterlink.record.entry import Entry, Kind
from meterlink.record.seal import Signer
from meterlink.record.store import Store
from pty_meter import Pty
from traces import PROCEDURE, Trace, begun, blown_fuse, sound
from waiting import PATIENCE_S

NUMBER, TEXT, TEXT_OR_NULL = (int, float), (str,), (str, type(None))
NUMBER_OR_NULL = (*NUMBER, type(None))
ASSESSMENT: dict[str, tuple[type, ...]] = {
    "rule": TEXT,
    "standard_uncertainty": NUMBER_OR_NULL,
    "expanded_uncertainty": NUMBER_OR_NULL,
    "coverage_factor": NUMBER,
    "degrees_of_freedom": NUMBER_OR_NULL,
    "probability": NUMBER_OR_NULL,
    "probability_normal": NUMBER_OR_NULL,
    "budget": (list,),
    "cancelled": (dict, type(None)),
    "sheet": TEXT_OR_NULL,
    "cautious_default": (bool,),
    "range": TEXT_OR_NULL,
    "max_uncertainty": NUMBER_OR_NULL,
    "advice": TEXT_OR_NULL,
}
"""The keys of a verdict that the meter gave, besides those of every verdict."""
CONTRACT: dict[str, dict[str, tuple[type, ...]]] = {
    "job": {"job": TEXT},
    "touch": {
        "step": TEXT_OR_NULL,
        "outcome": TEXT,
        "value": TEXT_OR_NULL,
        "unit": TEXT_OR_NULL,
        "from": NUMBER,
        "to": NUMBER,
    },
    "verdict": {
        "step": TEXT,
        "outcome": TEXT,
        "value": TEXT_OR_NULL,
        "unit": TEXT_OR_NULL,
        "limits": TEXT_OR_NULL,
        "limits_source": TEXT_OR_NULL,
        "confirmed": (bool,),
        "reason": TEXT,
        "t": NUMBER,
    },
    "cue": {"code": TEXT, "text": TEXT, "step": TEXT_OR_NULL, "t": NUMBER},
    "finding": {
        "step": TEXT,
        "touches": (int,),
        "circuit": TEXT,
        "revision": TEXT,
        "situation": TEXT,
        "faults": (list,),
        "sure": (bool,),
        "answer": (str, type(None)),
        "next": (dict, type(None)),
        "elsewhere": (dict, type(None)),
        "proof": (list,),
        "doubtful": (list,),
        "t": NUMBER,
    },
    "end": {
        "complete": (bool,),
        "passed": (int,),
        "failed": (int,),
        "unclear": (int,),
        "not_judged": (list,),
        "lost_between": (list, type(None)),
        "t": NUMBER,
        "job": TEXT,
    },
}
"""The keys of each event besides `event` itself, and the types of their values."""

FAST = "sim:healthy?speed=max"


@pytest.fixture
def home(tmp_path: Path) -> Path:
    return tmp_path / "home"


@pytest.fixture
def procedure(tmp_path: Path) -> str:
    path = tmp_path / "two-volts.yaml"
    path.write_text(PROCEDURE, encoding="utf-8")
    return str(path)


def check(home: Path, procedure: str, meter: str, stdin: str = "") -> Result:
    return steadypoint(home, "check", procedure, "--meter", meter, "--accept-cautions", "--json", stdin=stdin)


@pytest.mark.parametrize("meter", [FAST, "sim:open-final-limit?speed=max&seed=3"])
def test_each_json_line_has_just_the_keys_and_types_of_the_contract(home: Path, meter: str) -> None:
    result = check(home, "start-up", meter)
    events = lines(result.stdout)
    searched = {"finding"} if "open" in meter else set()
    assert {str(event["event"]) for event in events} == set(CONTRACT) - {"finding"} | searched
    for event in events:
        promised = CONTRACT[str(event["event"])]
        if event["event"] == "verdict" and event["value"] is not None:
            promised = promised | ASSESSMENT
        assert event.keys() - {"event"} == promised.keys()
        assert [key for key, types in promised.items() if type(event[key]) not in types] == []


def test_a_sound_trace_ends_with_0_and_its_numbers_stand_as_the_display_showed_them(
    home: Path, procedure: str, tmp_path: Path
) -> None:
    result = check(home, procedure, sound().at(tmp_path / "sound.jsonl"))
    assert (result.returncode, result.stderr) == (0, "")
    first, *events, end = lines(result.stdout)
    assert list(first) == ["event", "job"]
    assert [(verdict["step"], verdict["outcome"], verdict["value"], verdict["unit"], verdict["limits"])
            for verdict in only(events, "verdict")] == [
        ("breaker", "pass", None, None, None),
        ("battery", "pass", "25.61", "V", "24.0..29.0 V"),
        ("fuse", "pass", "25.58", "V", "23.5..29.0 V"),
    ]  # fmt: skip
    assert end == {
        "event": "end",
        "complete": True,
        "passed": 3,
        "failed": 0,
        "unclear": 0,
        "not_judged": [],
        "lost_between": None,
        "t": end["t"],
        "job": first["job"],
    }


def test_every_line_told_is_in_the_record_in_the_same_order(home: Path, procedure: str, tmp_path: Path) -> None:
    told = lines(check(home, procedure, blown_fuse().at(tmp_path / "trace.jsonl")).stdout)
    outcomes = [event for event in shown(home, str(told[0]["job"])) if event["event"] in CONTRACT]
    assert outcomes == told[1:]


def test_a_dead_point_ends_with_1_and_names_where_the_voltage_is_lost(
    home: Path, procedure: str, tmp_path: Path
) -> None:
    result = check(home, procedure, blown_fuse().at(tmp_path / "trace.jsonl"))
    end = lines(result.stdout)[-1]
    assert (result.returncode, result.stderr) == (1, "")
    assert (end["complete"], end["failed"], end["lost_between"]) == (True, 1, ["G1:+", "F1:2"])


def test_too_close_to_call_is_no_pass(home: Path, procedure: str, tmp_path: Path) -> None:
    # One count of flicker about the limit 24.0 V: neither side holds.
    edge = Trace().lift().answer("confirm").lift()
    for _ in range(12):
        edge.show("23.99", 1).show("24.01", 1)
    result = check(home, procedure, edge.lift().show("25.58").at(tmp_path / "edge.jsonl"))
    end = lines(result.stdout)[-1]
    assert (end["passed"], end["unclear"], result.returncode) == (2, 1, 1)


def test_without_accepted_cautions_nothing_is_started(home: Path, procedure: str, tmp_path: Path) -> None:
    meter = sound().at(tmp_path / "sound.jsonl")
    result = steadypoint(home, "check", procedure, "--meter", meter, "--json")
    assert (result.returncode, result.stdout) == (2, "")
    assert result.stderr.splitlines() == [
        "  - Take care.",
        "  - Prove dead before you touch.",
        "steadypoint: the cautions are not acknowledged: read them, then give --accept-cautions",
    ]
    assert not home.exists()


@pytest.mark.parametrize(
    ("meter", "said"),
    [
        ("trace:no-such-file", "no-such-file: cannot be opened"),
        ("sim:no-such-scenario", "scenario 'no-such-scenario': expected healthy, "),
        ("sim:healthy?sped=3", "sim: unknown option 'sped'"),
        ("nonsense", "meter address 'nonsense': expected SCHEME:ADDRESS"),
    ],
)
def test_a_meter_that_cannot_be_reached_stores_no_job(home: Path, procedure: str, meter: str, said: str) -> None:
    result = check(home, procedure, meter)
    assert (result.returncode, result.stdout) == (2, "")
    assert result.stderr.startswith(f"steadypoint: {said}")
    assert jobs(home) == []


def test_every_error_of_a_procedure_is_a_line_of_its_own_as_compilers_write_it(home: Path, tmp_path: Path) -> None:
    path = tmp_path / "wrong.yaml"
    path.write_text(PROCEDURE.replace("kind: look", "kind: glance").replace("24.0..29.0 V", "many"), encoding="utf-8")
    result = check(home, str(path), FAST)
    assert (result.returncode, result.stdout) == (2, "")
    assert [line.startswith((f"{path}:9:", f"{path}:17:")) for line in result.stderr.splitlines()] == [True, True]
    assert not home.exists()


def test_a_trace_that_ends_early_ends_with_3_and_says_how_to_go_on(home: Path, procedure: str, tmp_path: Path) -> None:
    meter = begun().at(tmp_path / "begun & more.jsonl")
    result = check(home, procedure, meter)
    end = lines(result.stdout)[-1]
    assert (result.returncode, end["complete"], end["not_judged"]) == (3, False, ["fuse"])
    assert result.stderr == f"Not finished. Go on with: steadypoint resume {end['job']} --meter '{meter}'\n"
    assert jobs(home)[0]["state"] == "interrupted"


def test_a_damaged_line_part_way_ends_with_2_and_leaves_a_job_that_can_be_resumed(
    home: Path, procedure: str, tmp_path: Path
) -> None:
    path = tmp_path / "damaged.jsonl"
    trace = begun().damaged()
    result = check(home, procedure, trace.lift().show("25.58").at(path))
    told = lines(result.stdout)
    number = trace.text.splitlines().index('{"t": 99, "displ') + 1
    assert result.returncode == 2
    assert result.stderr.startswith(f"steadypoint: {path}:{number}: not JSON (")
    assert [verdict["step"] for verdict in only(told, "verdict")] == ["breaker", "battery"]
    assert (told[-1]["event"], told[-1]["not_judged"]) == ("end", ["fuse"])
    job = str(told[0]["job"])
    record = shown(home, job)
    assert [note["about"] for note in only(record, "note")] == ["link"]
    assert only(record, "gap")[-1]["reason"] == "interrupted"
    resumed = steadypoint(home, "resume", job, "--meter", Trace().lift().show("25.58").at(path), "--json")
    assert (resumed.returncode, lines(resumed.stdout)[-1]["complete"]) == (0, True)


def test_a_trace_comes_from_standard_input_as_well(home: Path, procedure: str) -> None:
    result = check(home, procedure, "trace:-", stdin=sound().text)
    assert (result.returncode, result.stderr) == (0, "")
    damaged = check(home, procedure, "trace:-", stdin=begun().damaged().text)
    assert damaged.returncode == 2
    assert damaged.stderr.startswith("steadypoint: standard input:16: not JSON")


@pytest.mark.skipif(os.name != "posix", reason="needs a pseudo-terminal")
def test_answers_come_a_word_a_line_and_what_is_no_answer_is_told_on_standard_error(home: Path, procedure: str) -> None:
    with Pty() as meter:
        address = f"serial:{meter.name}?format=fs9721-lcd14&patience=1"
        arguments = ("check", procedure, "--meter", address, "--accept-cautions", "--json")
        with started(home, *arguments) as process:
            assert process.stdin is not None
            assert process.stdout is not None
            assert process.stderr is not None
            process.stdin.write("perhaps\nconfirm\n")
            process.stdin.flush()
            told = [process.stdout.readline() for _ in range(5)]
            process.send_signal(signal.SIGTERM)
            rest, errors = process.communicate(timeout=PATIENCE_S)
    events = lines("".join(told) + rest)
    assert [event.get("step") for event in only(events, "verdict")] == ["breaker"]
    assert errors.startswith("steadypoint: answer 'perhaps' is not known; expected confirm, refuse, repeat, back, ")


def test_warnings_never_come_between_the_lines(home: Path) -> None:
    arguments = ("check", "start-up", "--meter", FAST, "--accept-cautions", "--json")
    result = steadypoint_apart(home, *arguments, more={"PYTHONWARNINGS": "always", "PYTHONDEVMODE": "1"})
    assert result.returncode == 0
    assert lines(result.stdout)[-1]["event"] == "end"


@pytest.mark.parametrize("more", [("--json",), ()])
def test_a_reader_that_goes_away_ends_the_check_quietly_and_the_job_can_be_resumed(
    home: Path, more: tuple[str, ...]
) -> None:
    meter = "sim:healthy?speed=10"
    with started(home, "check", "start-up", "--meter", meter, "--accept-cautions", *more) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        process.stdout.readline()
        process.stdout.close()
        errors = process.stderr.read()
        assert process.wait(PATIENCE_S) == 3
    (job,) = jobs(home)
    assert errors == f"Not finished. Go on with: steadypoint resume {job['job']} --meter '{meter}'\n"
    assert only(shown(home, str(job["job"])), "gap")[-1]["reason"] == "interrupted"


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_signal_stops_the_check_in_good_order(home: Path, number: signal.Signals) -> None:
    with started(home, "check", "start-up", "--meter", "sim:healthy", "--accept-cautions", "--json") as process:
        assert process.stdout is not None
        told = [process.stdout.readline() for _ in range(2)]
        process.send_signal(number)
        rest, errors = process.communicate(timeout=PATIENCE_S)
    events = lines("".join(told) + rest)
    assert (process.returncode, events[-1]["event"], events[-1]["complete"]) == (3, "end", False)
    assert errors.startswith("Not finished. Go on with: ")
    assert only(shown(home, str(events[0]["job"])), "gap")[-1]["reason"] == "interrupted"


@pytest.mark.skipif(os.name != "posix", reason="needs a pseudo-terminal")
def test_a_cable_that_stays_out_ends_the_check_with_3_and_the_record_knows_why(
    home: Path, procedure: str, tmp_path: Path
) -> None:
    lasting = tmp_path / "port"  # the terminal's own name may be given to the next test's
    with Pty() as meter:
        lasting.symlink_to(meter.name)
        address = f"serial:{lasting}?format=fs9721-lcd14&patience=1"
        arguments = ("check", procedure, "--meter", address, "--accept-cautions", "--json")
        with started(home, *arguments) as process:
            assert process.stdout is not None
            told = [process.stdout.readline() for _ in range(2)]
            lasting.unlink()
            meter.unplug()
            rest, errors = process.communicate(timeout=PATIENCE_S)
    events = lines("".join(told) + rest)
    assert (process.returncode, events[-1]["event"]) == (3, "end")
    *told, go_on = errors.splitlines()
    assert "is lost" in told[0]
    assert told[-1].endswith("(given up after 1 s)")
    assert go_on.startswith("Not finished. Go on with: ")
    opened, *notes = [f"steadypoint: {note['text']}" for note in only(shown(home, str(events[0]["job"])), "note")]
    assert opened.endswith("fs9721-lcd14, 2400 8N1, DTR on, RTS off")
    assert notes == told


def test_what_cannot_be_stored_is_never_told(
    home: Path, procedure: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    store_append = Store.append

    def full_disk(self: Store, job: str, entries: Sequence[Entry], sealed_by: Signer | None = None) -> int:
        if any(entry.kind is Kind.VERDICT and entry.body["step"] == "battery" for entry in entries):
            raise RecordError("the disk is full; free some space")
        return store_append(self, job, entries, sealed_by)

    monkeypatch.setattr(Store, "append", full_disk)
    result = check(home, procedure, sound().at(tmp_path / "sound.jsonl"))
    told = lines(result.stdout)
    assert result.returncode == 3
    assert [verdict["step"] for verdict in only(told, "verdict")] == ["breaker"]
    assert result.stderr.splitlines()[0] == "steadypoint: the disk is full; free some space"
    assert [verdict["step"] for verdict in only(shown(home, str(told[0]["job"])), "verdict")] == ["breaker"]


def test_plain_lines_say_the_cues_then_the_page_and_where_the_record_lies(
    home: Path, procedure: str, tmp_path: Path
) -> None:
    meter = sound().at(tmp_path / "sound.jsonl")
    result = steadypoint(home, "check", procedure, "--meter", meter, "--accept-cautions")
    said = result.stdout.splitlines()
    assert (result.returncode, result.stderr) == (0, "")
    assert said[:4] == [
        "Q1: Is the breaker pushed in?",
        "The meter is not known: its readings are judged by a cautious default. No calibration is known.",
        "Q1: Pass.",
        "Touch G1:+. Black lead on earth bar. Dial on DC volts.",
    ]
    assert said[-2:] == ["A record of readings, not a permit to use the lift.", f"The record lies in {home}."]
