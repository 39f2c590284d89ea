"""`steadypoint replay`: identical unless something differs, and then both values and the time; what-if, and no more."""

import json
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from commands import Lines, lines, shown, steadypoint
from frames import vectors
from meterlink.instrument import Wire
from meterlink.reading import Instant, Reading
from meterlink.record.chain import canonical
from meterlink.record.entry import stored_event
from meterlink.record.store import FILE_NAME
from meterlink.registry import decoder_of, format_names, load_format
from sealed_job import sealed_job
from traces import PROCEDURE, Trace, begun

SIMULATED = ("check", "start-up", "--accept-cautions", "--json", "--meter")


@pytest.fixture
def home(tmp_path: Path) -> Path:
    return tmp_path / "home"


@pytest.fixture(scope="module")
def simulated(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A record with one job of a lift with a fault, found and mended."""
    home = tmp_path_factory.mktemp("simulated")
    steadypoint(home, *SIMULATED, "sim:open:B1?speed=max&seed=3&repairs=yes")
    return home


def job_of(home: Path) -> str:
    return str(lines(steadypoint(home, "jobs", "--json").stdout)[0]["job"])


def replayed(home: Path, *arguments: str) -> tuple[int, dict[str, object]]:
    result = steadypoint(home, "replay", *arguments, "--json")
    (found,) = lines(result.stdout)
    return result.returncode, found


def altered(home: Path, target: Path, *changes: str) -> Path:
    target.mkdir()
    with closing(sqlite3.connect(home / FILE_NAME)) as sound, closing(sqlite3.connect(target / FILE_NAME)) as file:
        sound.backup(file)
        for (trigger,) in file.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            file.execute(f"DROP TRIGGER {trigger}")
        for change in changes:
            assert file.execute(change).rowcount > 0
        file.commit()
    return target


def test_a_simulated_job_replays_from_its_very_frames(simulated: Path) -> None:
    job = job_of(simulated)
    events = shown(simulated, job)
    readings = [event for event in events if event["event"] == "reading"]
    outcomes = [event for event in events if event["event"] in ("touch", "verdict", "cue", "finding", "end")]
    assert replayed(simulated, job) == (
        0,
        {"job": job, "outcomes": len(outcomes), "differences": [], "frames": len(readings), "not_decoded": 0},
    )
    assert steadypoint(simulated, "replay", job).stdout.splitlines() == [
        f"{len(readings)} frames decoded again, 0 readings without a frame to decode.",
        f"{len(outcomes)} outcomes: identical.",
    ]


def test_another_outcome_is_shown_with_both_values_and_the_time(simulated: Path, tmp_path: Path) -> None:
    change = "UPDATE event SET body = replace(body, '\"pass\"', '\"fail\"') WHERE kind = 'verdict'"
    home = altered(
        simulated, tmp_path / "altered", f"{change} AND seq = (SELECT max(seq) FROM event WHERE kind = 'verdict')"
    )
    status, found = replayed(home, job_of(home))
    differences = found["differences"]
    assert isinstance(differences, list)
    (difference,) = differences
    assert (status, difference["stored"]["outcome"], difference["replayed"]["outcome"]) == (1, "fail", "pass")
    assert difference["t"] == difference["stored"]["t"]
    assert difference["utc"].endswith("Z")
    page = steadypoint(home, "replay", job_of(home)).stdout
    assert f"Event {difference['event']}, {difference['t']}" in page
    assert page.splitlines()[-1].endswith(": 1 DIFFERENCES.")


def test_a_frame_that_does_not_decode_to_its_reading_is_a_difference(simulated: Path, tmp_path: Path) -> None:
    home = altered(
        simulated,
        tmp_path / "altered",
        "UPDATE event SET body = replace(body, '25.', '26.') WHERE seq = (SELECT max(seq) FROM event "
        "WHERE kind = 'reading' AND body LIKE '%25.%')",
    )
    status, found = replayed(home, job_of(home))
    differences = found["differences"]
    assert isinstance(differences, list)
    assert status == 1
    assert "26." in differences[0]["stored"]["display"]
    assert "25." in differences[0]["replayed"]["display"]


def test_what_is_missing_is_told(home: Path, tmp_path: Path) -> None:
    job = sealed_job(home)
    there = altered(home, tmp_path / "altered", "DELETE FROM event WHERE seq = 10")
    status, found = replayed(there, job)
    differences = found["differences"]
    assert isinstance(differences, list)
    assert (status, differences[0]["stored"]["event"], differences[0]["replayed"]["event"]) == (1, "cue", "verdict")


def test_the_right_words_under_the_wrong_kind_are_a_difference(home: Path, tmp_path: Path) -> None:
    job = sealed_job(home)
    there = altered(home, tmp_path / "altered", "UPDATE event SET kind = 'finding' WHERE seq = 36")
    status, found = replayed(there, job)
    differences = found["differences"]
    assert isinstance(differences, list)
    assert (status, [each["event"] for each in differences]) == (1, [36])


def test_a_job_that_broke_off_and_was_resumed_replays(home: Path) -> None:
    job = sealed_job(home, trace=begun())
    rest = Trace().lift().show("25.58").at(home / "rest.jsonl")
    steadypoint(home, "resume", job, "--meter", rest, "--json")
    status, found = replayed(home, job)
    assert (status, found["differences"], found["frames"]) == (0, [], 0)
    assert found["not_decoded"] == len([event for event in shown(home, job) if event["event"] == "reading"])


def test_a_described_format_is_decoded_by_the_description_of_then(home: Path) -> None:
    steadypoint(home, *SIMULATED, "sim:healthy?speed=max&seed=5&format=described:fs9721-lcd14")
    status, found = replayed(home, job_of(home))
    assert (status, found["differences"], found["not_decoded"]) == (0, [], 0)
    (instrument,) = [event for event in shown(home, job_of(home)) if event["event"] == "instrument"]
    wire = instrument["wire"]
    assert isinstance(wire, dict)
    assert str(wire["description"]).startswith("format: ") or "\nformat: " in str(wire["description"])


# What if


def test_what_if_asks_another_procedure_and_stores_nothing(home: Path, tmp_path: Path) -> None:
    job = sealed_job(home)
    before = shown(home, job)
    stricter = tmp_path / "stricter.yaml"
    stricter.write_text(
        PROCEDURE.replace("24.0..29.0 V", "27.0..29.0 V").replace("revision: 3", "revision: 4"), encoding="utf-8"
    )
    result = steadypoint(home, "replay", job, "--with", str(stricter), "--json")
    (found,) = lines(result.stdout)
    assert result.returncode == 1
    assert (found["what_if"], found["outcomes"]) == ({"procedure": "two-volts", "revision": "4"}, 3)
    told: Lines = found["differences"]  # type: ignore[assignment]
    stored, now = told[0]["stored"], told[0]["what_if"]
    assert isinstance(stored, dict)
    assert told[0]["step"] == "battery"
    assert (stored["outcome"], stored["limits"]) == ("pass", "24.0..29.0 V")
    assert now is None or isinstance(now, dict)
    page = steadypoint(home, "replay", job, "--with", str(stricter)).stdout.splitlines()
    assert page[0].startswith("WHAT-IF: ")
    assert "Not a verdict; nothing was stored." in page[0]
    assert shown(home, job) == before


def test_what_if_with_the_same_procedure_changes_nothing(simulated: Path) -> None:
    result = steadypoint(simulated, "replay", job_of(simulated), "--with", "start-up", "--json")
    assert (result.returncode, lines(result.stdout)[0]["differences"]) == (0, [])


# Frames that say all by themselves


@pytest.mark.parametrize("name", format_names())
def test_a_stored_frame_decodes_to_its_reading_or_to_nothing(name: str) -> None:
    """Never to another: formats that are asked may need the question, the rest decode alone."""
    alone = 0
    for vector in vectors(name):
        live, again = load_format(name).decoder({}), decoder_of(Wire(name, {}))
        for second in range(3):
            at = Instant(second * 10**9, second * 10**9)
            live.poll(at)
            for item in live.feed(vector.data, at):
                if isinstance(item, Reading):
                    found = [each for each in again.feed(item.raw, at) if isinstance(each, Reading)]
                    assert found in ([item], [])
                    alone += bool(found)
    assert alone > 0 or load_format(name).polled or name == "gatt-battery-2a19"


def test_a_format_not_known_here_is_not_decoded_and_that_is_said(simulated: Path, tmp_path: Path) -> None:
    change = "UPDATE event SET body = replace(body, 'fs9721-lcd14', 'of-tomorrow') WHERE kind = 'instrument'"
    home = altered(simulated, tmp_path / "altered", change)
    result = steadypoint(home, "replay", job_of(home), "--json")
    found = json.loads(result.stdout)
    assert (result.returncode, found["differences"], found["frames"]) == (0, [], 0)
    assert "frames are not decoded again: unknown format 'of-tomorrow'" in result.stderr


@given(st.floats(allow_nan=False, allow_infinity=False))
@example(4.6785434907794874e17)  # degrees of freedom of a touch that is compared with another in a range of its own
def test_every_number_is_read_back_as_it_was_given(number: float) -> None:
    stored = {"event": "verdict", "budget": [{"degrees_of_freedom": number}]}
    assert stored_event("verdict", Instant(0, 0), canonical(stored).decode(), b"", 1).body == stored


def test_a_number_that_is_written_without_its_exponent_is_no_difference(home: Path) -> None:
    meter = "sim:open-fuse?speed=max&seed=217&repairs=no&rate=3"
    job = json.loads(steadypoint(home, *SIMULATED, meter).stdout.splitlines()[0])["job"]
    with closing(sqlite3.connect(home / FILE_NAME)) as record:
        bodies = [body for (body,) in record.execute("SELECT body FROM event WHERE kind = 'verdict'")]
    freedom = [json.loads(body).get("degrees_of_freedom") for body in bodies]
    assert any(type(each) is int and each > 2**53 for each in freedom)
    assert replayed(home, job)[0] == 0
