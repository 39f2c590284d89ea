"""The check on a real pseudo-terminal, seen through an emulator: what the technician sees, and what the keys do."""

import os
import termios
from collections.abc import Iterator
from pathlib import Path

import pytest

from commands import jobs, only, shown
from terminal_window import Window
from traces import PROCEDURE

pytestmark = pytest.mark.skipif(os.name != "posix", reason="needs a pseudo-terminal")

SLOW = "sim:healthy?speed=5"
KEYS = "y yes  n no  r repeat  b back  q stop"


def check(home: Path, procedure: str = "start-up", meter: str = SLOW, columns: int = 80, rows: int = 24) -> Window:
    arguments = ("check", procedure, "--meter", meter, "--accept-cautions")
    return Window(home, *arguments, columns=columns, rows=rows)


@pytest.fixture
def procedure(tmp_path: Path) -> str:
    path = tmp_path / "two-volts.yaml"
    path.write_text(PROCEDURE, encoding="utf-8")
    return str(path)


@pytest.fixture
def silent(tmp_path: Path) -> Iterator[str]:
    """A trace that says nothing and never ends: a named pipe that nobody writes into."""
    path = tmp_path / "silent"
    os.mkfifo(path)
    end = os.open(path, os.O_RDWR)
    yield f"trace:{path}"
    os.close(end)


def marked(window: Window) -> list[str]:
    """The words of the row with the marker: the step that is waited for. Before the first draw there is none."""
    rows = [row.split() for row in window.rows if row.startswith("▶")]
    assert len(rows) <= 1
    return rows[0] if rows else [""] * 5


def test_the_screen_shows_the_step_the_digits_the_limits_and_the_keys(tmp_path: Path) -> None:
    with check(tmp_path) as window:
        window.until(lambda: "limits 24.0..29.0 V" in window.text and "◆" in window.text)
        assert marked(window) == ["▶", "┆", "·", "G1:+", "now"]
        base_line = next(at for at, row in enumerate(window.rows) if row.endswith(" V") and "█" in row)
        digits = window.rows[base_line - 4 : base_line + 1]
        assert all("██" in row for row in digits)
        assert "┃ ● T1" in window.text
        assert "» Touch G1:+. Black lead on earth bar. Dial on DC volts." in window.text
        assert window.rows[-1] == f"{KEYS}  j jumper  t note"
        assert window.rows[0].startswith("Steadypoint  Start-up check, two-stop platform lift")


def test_nothing_blinks(tmp_path: Path) -> None:
    with check(tmp_path, meter="sim:healthy?speed=50") as window:
        window.until_ended()
    assert b"\x1b[5m" not in window.written  # SGR 5, slowly blinking (ECMA-48, 8.3.117)
    assert b"\x1b[6m" not in window.written
    assert (
        window.written.count(b"\x1b[2J") + window.written.count(b"\x1b[J") <= 2
    )  # cleared to begin with, not per draw


def test_the_keys_answer_and_stop(tmp_path: Path, procedure: str, silent: str) -> None:
    with check(tmp_path, procedure, silent) as window:
        window.until(lambda: marked(window) == ["▶", "┆", "·", "Q1", "now"])
        window.press("n")
        window.until(lambda: marked(window)[3] == "G1:+")
        assert "┊ ○ Q1" in window.text
        window.press("r")
        window.until(lambda: marked(window) == ["▶", "┊", "○", "Q1", "fail,", "now"])
        window.press("Y")
        window.until(lambda: marked(window)[3] == "G1:+")
        assert "┃ ● Q1" in window.text
        window.press("b")
        window.until(lambda: marked(window)[3] == "Q1")
        window.press("\r")
        window.until(lambda: marked(window)[3] == "G1:+")
        window.press("x\x1b[A ")  # no answers: another letter, the arrow up, the space bar
        window.press("q")
        assert window.until_ended() == 3
        job = str(jobs(tmp_path)[0]["job"])
        given = [event["input"] for event in only(shown(tmp_path, job), "input")]
        assert given == ["refuse", "repeat", "confirm", "back", "confirm"]
        assert f"steadypoint resume {job}" in window.text.replace("\n", "")


def test_a_jumper_and_a_note_are_typed_while_the_check_goes_on(tmp_path: Path, procedure: str, silent: str) -> None:
    with check(tmp_path, procedure, silent) as window:
        window.until_shown(KEYS)
        window.press("j")
        window.until(lambda: window.rows[-1].startswith("jumper fitted _"))
        window.press("X3:5-X3:6: levelling runx\x7f")
        window.until(lambda: window.rows[-1].startswith("jumper fitted X3:5-X3:6: levelling run_"))
        window.press("\r")
        window.until_shown("Jumper X3:5-X3:6 entered.")
        window.press("t")
        window.until(lambda: window.rows[-1].startswith("note _"))
        window.press("\x1b")
        window.until(lambda: window.rows[-1].startswith(KEYS))
        window.press("tScrew missing\r")
        window.until(lambda: window.rows[-1].startswith(KEYS))
        window.press("y")  # an answer again, and no text
        window.until(lambda: marked(window)[3] == "G1:+")
        window.press("q")
        assert window.until_ended() == 3
        events = shown(tmp_path, str(jobs(tmp_path)[0]["job"]))
    (entry,) = only(events, "jumper")
    assert (entry["where"], entry["why"], entry["fitted"]) == ("X3:5-X3:6", "levelling run", True)
    notes = [event["text"] for event in only(events, "note") if event["about"] == "remark"]
    assert notes == ["Screw missing"]
    assert "JUMPER STILL IN: X3:5-X3:6" in window.text


def test_the_terminal_is_given_back_as_it_was(tmp_path: Path) -> None:
    with check(tmp_path) as window:
        window.until_shown(KEYS)
        assert termios.tcgetattr(window.port) != window.modes_before
        window.press("q")
        assert window.until_ended() == 3
        assert termios.tcgetattr(window.port) == window.modes_before
        assert window.written.rfind(b"\x1b[?1049h") < window.written.rfind(b"\x1b[?1049l")  # xterm: the other screen
        assert window.written.rfind(b"\x1b[?25l") < window.written.rfind(b"\x1b[?25h")  # DEC: the cursor
        assert "Not finished. Go on with: steadypoint resume " in window.text


def test_ctrl_c_stops_as_q_does(tmp_path: Path) -> None:
    with check(tmp_path) as window:
        window.until_shown(KEYS)
        window.press("\x03")
        assert window.until_ended() == 3
        assert termios.tcgetattr(window.port) == window.modes_before


def test_what_broke_the_check_off_is_still_to_be_read_once_the_screen_is_gone(tmp_path: Path, procedure: str) -> None:
    path = tmp_path / "damaged.jsonl"
    path.write_text('{"t": 1, "input": "confirm"}\n{"t": 2, "displ\n', encoding="utf-8")
    with check(tmp_path, procedure, f"trace:{path}", columns=300) as window:
        assert window.until_ended() == 2
        assert f"steadypoint: {path}:2: not JSON" in window.text


def test_a_narrow_window_keeps_its_picture(tmp_path: Path) -> None:
    with check(tmp_path, columns=40, rows=20) as window:
        window.until(lambda: "◆" in window.text)
        assert marked(window) == ["▶", "┆", "·", "G1:+", "now"]
        assert window.rows[-1] == KEYS
        assert [row for row in window.rows if row.startswith("»")] == [
            "» Touch G1:+. Black lead on earth bar.",
            "» Dial on DC volts.",
        ]
        assert sum("█" in row for row in window.rows) == 5


@pytest.mark.parametrize(("columns", "rows"), [(40, 20), (120, 40), (30, 12)])
def test_after_a_resize_the_next_draw_fits(tmp_path: Path, columns: int, rows: int) -> None:
    with check(tmp_path) as window:
        window.until_shown(KEYS)
        window.resize(columns, rows)
        window.until(
            lambda: (
                window.rows[-1].startswith(KEYS[:columns].rstrip())
                and sum(row.startswith("▶") for row in window.rows) == 1
            )
        )
        assert sum(KEYS[:20] in row for row in window.rows) == 1


def test_cautions_are_read_and_acknowledged_before_anything_is_stored(tmp_path: Path, procedure: str) -> None:
    with Window(tmp_path, "check", procedure, "--meter", SLOW) as window:
        window.until_shown("Read and understood?")
        assert "- Prove dead before you touch." in window.text
        window.press("n\r")
        assert window.until_ended() == 2
    with Window(tmp_path, "check", procedure, "--meter", SLOW) as window:
        window.until_shown("Read and understood?")
        window.keep_pressing("\x03")  # one that comes between input()'s prompt and its wait is noted only after a key
        assert window.until_ended() == 2
    assert jobs(tmp_path) == []
    with Window(tmp_path, "check", procedure, "--meter", SLOW) as window:
        window.until_shown("Read and understood?")
        window.press("y\r")
        window.until_shown(KEYS)
        window.press("q")
        assert window.until_ended() == 3


def test_a_pedal_or_a_presenter_says_yes_with_any_key_that_says_nothing_else(
    tmp_path: Path, procedure: str, silent: str
) -> None:
    """Presenters send page keys or full stops, pedals what they were set to; off unless asked for."""
    with Window(tmp_path, "check", procedure, "--meter", silent, "--accept-cautions", "--pedal") as window:
        window.until_shown(f"any key yes  {KEYS}")
        window.press("\x1b[6~")  # page down (DEC VT220)
        window.until(lambda: marked(window)[3] == "G1:+")
        assert "┃ ● Q1" in window.text
        window.press("q")
        assert window.until_ended() == 3
        assert "--pedal" in window.text.replace("\n", "")
