"""What a report says, whatever a job came to and whatever was done to its record since."""

import json
import random
import shutil
import sqlite3
import zipfile
from contextlib import closing
from dataclasses import replace
from decimal import Decimal
from pathlib import Path

import pytest

from commands import lines, steadypoint
from known_meter import known_meter
from meterlink.instrument import Calibration
from meterlink.note import Note, Photo
from meterlink.outcome import Break, Gap, TouchOutcome, VerdictOutcome
from meterlink.record.chain import canonical, digest, with_hash
from meterlink.record.codec import to_entry
from meterlink.record.schema import APPLICATION_ID
from meterlink.record.store import FILE_NAME, Store
from meterlink.report.gathered import MOST_READINGS
from meterlink.report.page import page
from meterlink.report.touch_rows import limits_of
from old_records import JOB as OLD_JOB
from old_records import old_record
from record_damage import Subject, damage_archive, damage_database
from record_samples import at, begin, reading, touch, verdict
from report_jobs import (
    Content,
    content_of,
    fitted,
    found,
    many_touches,
    mended,
    over,
    procedure_of,
    reading_step,
    recorded,
    simulated,
    touched,
)
from sealed_job import sealed_job

pytestmark = pytest.mark.timeout(400)
"""Records are damaged and read many times over."""

TWO = procedure_of([reading_step(1), reading_step(2)])


def heads(content: Content) -> list[str]:
    return [each["head"].partition(":")[0] for each in content["warnings"]]


def opened(content: Content) -> list[tuple[str, str]]:
    return [(each["word"], each["text"]) for each in content["open"]["lines"]]


def step_of(content: Content, step: str) -> Content:
    (row,) = (row for row in content["steps"] if row["id"] == step)
    return dict(row)


def test_a_clean_start_up_has_nothing_open_and_every_step_with_all_that_it_rests_on(tmp_path: Path) -> None:
    job = simulated(tmp_path, "healthy", "--lift", "L-17", "--operator", "crew 1")
    content = content_of(tmp_path, job)
    verdicts = {
        line["step"]: line
        for line in lines(steadypoint(tmp_path, "show", job, "--json").stdout)[1:]
        if line["event"] == "verdict"
    }
    assert opened(content) == []
    assert heads(content) == ["CALIBRATION NOT SHOWN TO BE VALID."]
    assert content["counts"][0] == {"state": "pass", "mark": "●", "word": "pass", "count": 25}
    assert [row["id"] for row in content["steps"]] == list(verdicts)
    for row in content["steps"]:
        told = verdicts[row["id"]]
        if told["value"] is not None:
            assert row["value"] == f"{told['value']} {told['unit']}"
            assert row["limits"] == [told["limits"]]
            assert content["sources"][row["source"] - 1]["text"] == " ".join(str(told["limits_source"]).split())
            assert row["uncertainty"]
            assert row["rule"] == "guarded, k = 2"
            assert row["touches"]
    assert content["proof"].startswith("intact, sealed")
    assert {"word": "Installation", "text": "L-17"} in content["about"]
    assert all("<svg" in row["svg"] for row in content["touches"])


def test_a_fault_that_was_mended_is_listed_with_its_proof_and_the_verdicts_before_the_repair(tmp_path: Path) -> None:
    content = content_of(tmp_path, simulated(tmp_path, "open-final-limit?repairs=yes"))
    (fault,) = content["faults"]
    assert (fault["fault"], fault["mended"]) == ("open:B1", True)
    assert "at B1:11 and 0.0000 V at B1:12" in fault["proof"]
    assert opened(content) == []
    assert content["mended"] == 1
    row = step_of(content, "final-limit-out")
    assert row["state"] == "pass"
    assert "fail 0.0000 V: Outside 23.5..29.0 V" in row["earlier"][0]
    assert "Touch B1:12." in [each["where"] for each in content["touches"]]


def test_a_job_that_a_fault_stopped_says_first_what_failed_and_what_was_not_judged(tmp_path: Path) -> None:
    content = content_of(tmp_path, simulated(tmp_path, "open-final-limit"))
    assert heads(content)[0] == "NOT COMPLETE"
    assert "lost between B1:11 and B1:12" in content["warnings"][0]["text"]
    words = [word for word, _ in opened(content)]
    assert words == ["FAIL", "FAULT NOT MENDED", "NOT JUDGED"]
    assert opened(content)[0][1] == "B1:12: 0.0000 V, limits 23.5..29.0 V"
    assert opened(content)[2][1].startswith("13: X2:3, ")


def test_a_jumper_that_is_in_is_open_and_one_that_was_taken_out_is_not(tmp_path: Path) -> None:
    entries = [fitted("X3:1-X3:2", 100), fitted("X4:1-X4:2", 200), fitted("x4:1-x4:2", 300, inside=False)]
    content = content_of(tmp_path, recorded(tmp_path, TWO, [*entries, over(400, complete=False)]))
    assert ("JUMPER STILL IN", "X3:1-X3:2") in opened(content)
    assert [each["still_in"] for each in content["jumpers"]] == [True, False, False]
    assert [each["state"] for each in content["jumpers"]] == ["fitted", "fitted", "taken out"]


def test_a_factory_fit_jumper_stands_in_the_register_as_it_was_found(tmp_path: Path) -> None:
    steps = [
        {"id": f"j{number}", "kind": "bridge", "jumper": "factory", "point": f"X{number}:1-2"} for number in (1, 2)
    ]
    seen = to_entry(verdict("j1", None, VerdictOutcome.PASS, 500))
    content = content_of(tmp_path, recorded(tmp_path, procedure_of(steps), [seen, over(600, complete=False)]))
    states = [(each["time"], each["where"], each["state"], each["still_in"]) for each in content["jumpers"]]
    assert states == [
        ("10:20:00", "X1:1-2", "factory-fit, pass", False),
        ("", "X2:1-2", "factory-fit, not judged", False),
    ]


def test_an_interrupted_job_is_said_to_have_no_end_and_no_seal(tmp_path: Path) -> None:
    with Store.open(tmp_path) as store:
        job = begin(store, [to_entry(reading("0.01", 100)), to_entry(Gap(at(200), Break.INTERRUPTED))])
    content = content_of(tmp_path, job)
    assert heads(content)[:2] == ["NOT SEALED.", "NOT COMPLETE"]
    assert "NO CAUTIONS WERE ACKNOWLEDGED" in heads(content)
    assert content["cautions"] is None
    assert content["breaks"] == [{"time": "10:20:00", "text": "The job was broken off."}]


def test_a_job_of_an_older_layout_is_reported_as_not_proven(tmp_path: Path) -> None:
    for layout in (1, 2):
        folder = tmp_path / str(layout)
        folder.mkdir()
        old_record(folder, layout)
        content = content_of(folder, OLD_JOB)
        assert heads(content)[0] == "NOT PROVEN"
        assert [row["state"] for row in content["steps"]] == ["pass"] * 3


def test_a_calibrated_meter_brings_no_warning(tmp_path: Path) -> None:
    calibrated = replace(
        known_meter(), calibration=Calibration.VALID, certificate="C-1", calibrated="2026-01-02", due="2027-01-02"
    )
    entries = [to_entry(calibrated), *touched("p1", "24.96", 500), *touched("p2", "24.95", 5000), over(9000)]
    content = content_of(tmp_path, recorded(tmp_path, TWO, entries))
    assert heads(content) == []
    (meter,) = content["instruments"]
    assert meter["valid"]


def test_unclear_and_answered_steps_are_told_apart_from_those_that_pass(tmp_path: Path) -> None:
    unclear = to_entry(verdict("p1", "23.5", VerdictOutcome.UNCLEAR, 900))
    content = content_of(tmp_path, recorded(tmp_path, TWO, [unclear, over(1000, complete=False)]))
    assert opened(content)[0] == ("UNCLEAR", "X1:1: 23.5 V, limits 23.5..29.0 V")
    assert {each["word"]: each["count"] for each in content["counts"]} == {
        "pass": 0,
        "fail": 0,
        "unclear": 1,
        "not judged": 1,
    }


def test_notes_keep_their_signs_and_lose_what_turns_the_writing(tmp_path: Path) -> None:
    photo = Photo("cover \u202eJPG.exe", "image/jpeg", 12, "ab" * 32)
    texts = ("שלום, הכיסוי חסר", "غطاء مفقود", "ok 👍 family 👩‍👧", "line\nbreak \x07 \u202eturned")
    notes = [to_entry(Note(text, "crew 1", at(100 + number), photo)) for number, text in enumerate(texts)]
    content = content_of(tmp_path, recorded(tmp_path, TWO, [*notes, over(400, complete=False)]))
    assert [each["text"] for each in content["notes"]] == [*texts[:3], "line break � �turned"]
    assert content["notes"][0]["photo"] == {
        "name": "cover �JPG.exe",
        "size": 12,
        "sha256": "ab" * 32,
        "there": False,
        "svg": None,
    }
    assert heads(content)[0] == "NOT INTACT"
    assert "photo that event 2 names is missing" in content["warnings"][0]["text"]


def test_a_retouch_is_told_with_its_step_and_has_its_picture(tmp_path: Path) -> None:
    again = touch("p1", "24.97", 3000, 4000, TouchOutcome.RETOUCH)
    entries = [*touched("p1", "24.96", 500), to_entry(again), *touched("p2", "24.95", 5000), over(9000)]
    content = content_of(tmp_path, recorded(tmp_path, TWO, entries))
    row = step_of(content, "p1")
    assert (row["touches"], row["retouches"]) == ([1, 2], ["10:20:04 24.97 V"])
    assert content["touches"][1]["outcome"] == "touched again"


def test_what_a_watch_cannot_have_seen_is_said(tmp_path: Path) -> None:
    text = procedure_of([reading_step(1, kind="watch", least="10 s")])
    told = "Inside for 12 s, 24.9 V to 25.0 V. A dip shorter than 0.4 s can have been missed."
    content = content_of(tmp_path, recorded(tmp_path, text, [*touched("p1", "24.96", 500, told), over(9000)]))
    assert f"X1:1, watched while the lift travels: {told}" in content["unseen"]
    assert "changed every 0.2 s in the middle, 0.2 s apart at most" in content["unseen"][0]
    empty = content_of(tmp_path, recorded(tmp_path, text, [over(10, complete=False)]))
    assert empty["unseen"] == ["X1:1, watched while the lift travels: not watched."]


def test_the_limits_of_a_verdict_are_read_back_however_they_are_written() -> None:
    for text, low, high in (
        ("23.5..29.0 V", "23.5", "29.0"),
        ("<= 2 Ohm", None, "2"),
        ("0..0.3 V below G1:+ (24.96 V)", "24.66", "24.96"),
        ("within 5 % of G1 (20.0 V)", "19.0", "21.0"),
        ("26.77 V ± 0.3 V", "26.47", "27.07"),
    ):
        limits = limits_of({"limits": text})
        assert limits is not None, text
        ends = [None if end is None else Decimal(end) for end in (low, high)]
        assert [limits.low, limits.high] == ends
    for text in ("closed <= 2 Ohm, open OL", "", "(", "x (y)"):
        assert limits_of({"limits": text}) is None


def test_the_first_page_never_lists_more_than_it_has_room_for(tmp_path: Path) -> None:
    steps = [reading_step(number, point=f"{'W' * 300}{number}") for number in range(60)]
    entries = [each for number in range(60) for each in touched(f"p{number}", "1.00", 1000 + 4000 * number)]
    jumpers = [fitted(f"{'X' * 400}{number}", 300_000 + number) for number in range(20)]
    content = content_of(tmp_path, recorded(tmp_path, procedure_of(steps), [*entries, *jumpers, over(400_000)]))
    assert len(content["open"]["lines"]) + content["open"]["more"] == 80
    assert len(content["open"]["lines"]) <= 9
    assert max(len(each["text"]) for each in content["open"]["lines"]) <= 150


def test_a_touch_that_outlasts_all_memory_is_drawn_from_its_last_readings(tmp_path: Path) -> None:
    count = MOST_READINGS + 10
    readings = [to_entry(reading("24.96" if number % 7 else "OL", 100 + 10 * number)) for number in range(count)]
    entries = [*readings, to_entry(touch("p1", "24.96", 100, 100 + 10 * count)), over(200 + 10 * count)]
    content = content_of(tmp_path, recorded(tmp_path, TWO, entries))
    (told,) = content["touches"]
    assert f"the last {MOST_READINGS} readings" in told["words"]
    assert len(told["svg"]) < 100_000


@pytest.mark.parametrize("seed", range(6))
def test_however_a_record_is_damaged_there_is_a_report_and_it_says_so_first(seed: int, tmp_path: Path) -> None:
    subject, chance = _subject(tmp_path), random.Random(seed)
    for number in range(20):
        folder = tmp_path / str(number)
        folder.mkdir()
        damage = damage_database if number % 2 else damage_archive
        kind, _, proofs = damage(subject, folder, chance)
        if proofs and all(proof.intact for proof in proofs):
            continue
        name = subject.job if number % 2 else str(folder / "damaged.zip")
        if damage is damage_database:
            shutil.copytree(subject.folder / "keys", folder / "keys")
            known = [proof.job for proof in proofs]
            name = subject.job if subject.job in known else known[0]
        try:
            content = content_of(folder, name)
        except UnicodeEncodeError:
            continue  # an id that is no text cannot be named
        assert heads(content)[0] == "NOT INTACT", kind
        assert "NOT INTACT" in page(content)
        json.dumps(content)


def _subject(folder: Path) -> Subject:
    return Subject(folder / "subject")


def test_what_was_altered_is_left_out_and_counted(tmp_path: Path) -> None:
    job = sealed_job(tmp_path)
    with closing(sqlite3.connect(tmp_path / FILE_NAME)) as file:
        for (trigger,) in file.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            file.execute(f"DROP TRIGGER {trigger}")
        file.execute("""UPDATE event SET body = replace(body, '25.58', '24.58') WHERE kind = 'verdict'""")
        file.commit()
        assert file.execute("PRAGMA application_id").fetchone() == (APPLICATION_ID,)
    content = content_of(tmp_path, job)
    assert heads(content)[0] == "NOT INTACT"
    assert "1 EVENT LEFT OUT" in heads(content)
    assert step_of(content, "fuse")["state"] == "open"
    assert "24.58" not in json.dumps(content["steps"])


HOSTILE: tuple[object, ...] = ("<script>alert(1)</script>", "OL", None, [], {}, True, 1e308, -1)


@pytest.mark.parametrize("seed", range(4))
def test_an_archive_made_up_to_harm_is_reported_too(seed: int, tmp_path: Path) -> None:
    """Its chain is sound, since anyone can link lines; only what they hold is not what Steadypoint writes."""
    subject, chance = _subject(tmp_path), random.Random(seed)
    source = [json.loads(line) for line in subject.members["events.jsonl"].splitlines()]
    for number in range(15):
        path = tmp_path / f"{number}.zip"
        with zipfile.ZipFile(path, "w") as file:
            head = json.loads(subject.members["job.json"])["sha256"]
            written = []
            for line in source:
                body = dict(line["body"])
                if body and chance.random() < 0.5:
                    body[chance.choice(list(body))] = chance.choice(HOSTILE)
                own = {key: value for key, value in line.items() if key != "sha256"} | {"body": body, "prev": head}
                text = canonical(own)
                head = digest(text).decode()
                written.append(with_hash(text, head.encode()))
            members = {**subject.members, "events.jsonl": b"\n".join(written) + b"\n"}
            for name, data in members.items():
                file.writestr(name, data)
        content = content_of(tmp_path, str(path))
        assert heads(content)[0] == "NOT INTACT"
        assert "<script>" not in page(content)


def test_500_touches_are_all_there(tmp_path: Path) -> None:
    content = content_of(tmp_path, many_touches(tmp_path, 500))
    assert len(content["touches"]) == len(content["steps"]) == 500
    assert [row["touches"] for row in content["steps"]] == [[number] for number in range(1, 501)]


def test_mended_and_unmended_faults_are_told_apart(tmp_path: Path) -> None:
    entries = [found("open:B1", 100), mended(200), found("open:<B2>", 300), over(400, complete=False)]
    content = content_of(tmp_path, recorded(tmp_path, TWO, entries))
    assert [(each["fault"], each["mended"]) for each in content["faults"]] == [("open:B1", True), ("open:<B2>", False)]
    assert ("FAULT NOT MENDED", "open:<B2>") in opened(content)
