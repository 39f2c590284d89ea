"""Notes from the office on their way to a check: each is told; one that is gone in the wrong moment ends nothing."""

import os
from pathlib import Path

from meterlink.inbox import OfficeNote, mark_taken, put_note, waiting_notes


def test_two_checks_of_one_home_may_hear_the_same_note(tmp_path: Path) -> None:
    assert put_note(tmp_path, OfficeNote("ab" * 8, "Probe X1:7 next", "office").write()) is None
    (one,), (other,) = waiting_notes(tmp_path), waiting_notes(tmp_path)
    mark_taken(tmp_path, one)
    mark_taken(tmp_path, other)  # the file is gone: the other check goes on all the same
    assert waiting_notes(tmp_path) == []
    assert put_note(tmp_path, one.write()) is None  # sent again, and not told again
    assert waiting_notes(tmp_path) == []


def test_a_note_that_cannot_be_read_is_passed_over_and_the_oldest_comes_first(tmp_path: Path) -> None:
    for number in (2, 1):
        put_note(tmp_path, OfficeNote(f"{number:016x}", f"note {number}", "office").write())
        (written,) = (tmp_path / "inbox").glob(f"*{number}.note")
        os.utime(written, ns=(10**18 - number, 10**18 - number))  # a file system may give both one tick
    (tmp_path / "inbox" / "ff.note").symlink_to(tmp_path / "nowhere")  # as one that another check took just now
    assert [note.text for note in waiting_notes(tmp_path)] == ["note 2", "note 1"]
    assert waiting_notes(tmp_path / "empty") == []
