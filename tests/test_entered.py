"""What a person types during a check, and what becomes of it: answers, jumpers, notes, photos."""

import hashlib
import os
import time
from pathlib import Path

import pytest

from commands import Lines, lines, only, shown, started
from known_meter import known_meter
from meterlink.entered import entered
from meterlink.errors import RecordError
from meterlink.note import Note, Photo
from meterlink.outcome import Answer, Break, Input, Jumper
from meterlink.prepared import Prepared
from meterlink.procedure.parse import parse_procedure
from meterlink.reading import Instant
from meterlink.record.page import job_page
from meterlink.record.photos import MAX_BYTES, keep_photo, photo_path
from meterlink.record.store import Store
from meterlink.session import Session
from procedure_samples import with_steps
from pty_meter import Pty
from waiting import PATIENCE_S

NOW = Instant(7, 7)


@pytest.mark.parametrize(
    ("line", "item"),
    [
        (" confirm ", Input(Answer.CONFIRM, NOW)),
        ("back", Input(Answer.BACK, NOW)),
        ("jumper fitted X3:5-X3:6: levelling run", Jumper(True, "X3:5-X3:6", "levelling run", NOW)),
        ("jumper fitted X3:5-X3:6", Jumper(True, "X3:5-X3:6", "", NOW)),
        ("jumper removed X3:5-X3:6", Jumper(False, "X3:5-X3:6", "", NOW)),
        ("note Screw missing", Note("Screw missing", "technician", NOW)),
    ],
)
def test_a_line_is_what_it_says(line: str, item: Input | Jumper | Note) -> None:
    assert entered(line)(NOW) == item


@pytest.mark.parametrize("line", ["yes", "jumper X3", "jumper fitted ", "note", "confirm it"])
def test_any_other_line_is_refused_with_what_was_expected(line: str) -> None:
    with pytest.raises(ValueError, match=r"is not known; expected confirm, refuse, .*jumper fitted WHERE: WHY"):
        entered(line)


STEPS = """\
- {id: fit, kind: bridge, jumper: temporary, point: "X3:5-X3:6", why: Levelling run}
- {id: seen, kind: look, point: Q1, ask: "Is it in?"}
"""


def begun(store: Store, steps: str = STEPS) -> Session:
    source = with_steps(steps)
    return Session.begin(store, Prepared(parse_procedure(source, "p"), source), "sim:healthy", known_meter())


def test_notes_and_jumpers_are_in_the_record_and_on_the_job_s_page(tmp_path: Path) -> None:
    with Store.open(tmp_path) as store:
        session = begun(store)
        photo = keep_photo(tmp_path, b"a picture", "pit.jpg", "image/jpeg")
        assert session.take(Note("As found", "technician", Instant(1, 1), photo)) == []
        session.take(Jumper(True, "X9", "to reach the pit", Instant(2, 2)))
        session.close(Break.INTERRUPTED)
        page = "\n".join(job_page(store, session.job))
    assert "technician  As found" in page
    assert f"photo pit.jpg, sha256 {photo.sha256}" in page
    assert "JUMPER STILL IN: X9" in page
    events = shown(tmp_path, session.job)
    (note,) = [event for event in only(events, "note") if event["about"] == "remark"]
    assert note["photo"] == photo.as_json()


def test_photos_lie_beside_the_record_by_what_is_in_them_and_once(tmp_path: Path) -> None:
    data = b"\xff\xd8 a picture"
    photo = keep_photo(tmp_path, data, "pit.jpg", "image/jpeg")
    assert photo == Photo("pit.jpg", "image/jpeg", len(data), hashlib.sha256(data).hexdigest())
    assert photo_path(tmp_path, photo.sha256).read_bytes() == data
    assert keep_photo(tmp_path, data, "again.jpg", "image/jpeg").sha256 == photo.sha256
    assert [path.name for path in (tmp_path / "photos").iterdir()] == [photo.sha256]


@pytest.mark.parametrize("size", [0, MAX_BYTES + 1])
def test_a_photo_of_no_or_too_many_bytes_is_refused(tmp_path: Path, size: int) -> None:
    with pytest.raises(RecordError, match=f"{size} bytes"):
        keep_photo(tmp_path, bytes(size), "pit.jpg", "image/jpeg")


@pytest.mark.parametrize("name", ["", "../job", "A" * 64, "g" * 64])
def test_only_a_hash_names_a_photo(tmp_path: Path, name: str) -> None:
    with pytest.raises(RecordError, match="names no photo"):
        photo_path(tmp_path, name)


def test_a_photo_that_cannot_be_written_is_said_so(tmp_path: Path) -> None:
    (tmp_path / "photos").write_text("in the way", encoding="utf-8")
    with pytest.raises(RecordError, match="is not kept in"):
        keep_photo(tmp_path, b"x", "pit.jpg", "image/jpeg")


@pytest.mark.skipif(os.name != "posix", reason="needs a pseudo-terminal")
def test_jumpers_notes_and_answers_come_from_standard_input_and_a_jumper_still_in_is_no_pass(tmp_path: Path) -> None:
    path = tmp_path / "p.yaml"
    path.write_text(with_steps(STEPS), encoding="utf-8")
    said: Lines = []
    with Pty() as meter:
        address = f"serial:{meter.name}?format=fs9721-lcd14"
        arguments = ("check", str(path), "--meter", address, "--accept-cautions", "--json")
        with started(tmp_path / "home", *arguments) as process:
            assert process.stdin is not None
            assert process.stdout is not None
            for code, line in (
                ("meter", "note As found"),
                ("meter", "jumper fitted X9: pit"),
                ("jumper-fitted", "confirm"),
                ("look", "confirm"),
                ("jumper-open", "confirm"),
                ("jumper-open", "refuse"),
            ):
                while code not in (event.get("code") for event in said):
                    said += lines(process.stdout.readline())
                if line in ("confirm", "refuse"):
                    time.sleep(0.4)  # an answer that comes sooner was meant for the step before
                    said = [event for event in said if event.get("code") not in ("look", "jumper-open")]
                process.stdin.write(f"{line}\n")
                process.stdin.flush()
            said += lines(process.stdout.read())
            assert process.wait(PATIENCE_S) == 1
    (last,) = only(said, "end")
    assert (last["complete"], last["not_judged"], last["jumpers_open"]) == (False, [], ["X3:5-X3:6"])
    events = shown(tmp_path / "home", str(said[0]["job"]))
    assert [event["text"] for event in only(events, "note") if event["about"] == "remark"] == ["As found"]
