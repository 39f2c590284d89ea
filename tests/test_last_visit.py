"""What the last visit read, given into a job: told with the questions, kept in the chain, replayed without the rest."""

import re
from pathlib import Path

import pytest

from commands import Lines, only, shown, steadypoint
from meterlink.procedure.parse import examine
from procedure_samples import unmark, with_steps
from sealed_job import sealed_job
from traces import PROCEDURE, Trace, begun

ASKING = (
    PROCEDURE
    + """\
  - id: last-battery
    kind: look
    point: "G1:+"
    last: battery
    ask: Is that within 0.5 V of the last visit?
  - id: last-loss
    kind: look
    point: "F1:2"
    last: [battery, fuse]
    ask: Is no more lost than at the last visit?
"""
)
NOTHING = "No earlier visit that read it is in the record."


def visit(home: Path, *options: str, volts: str = "25.58") -> str:
    """Record a visit in which the battery and the fuse are read, and both questions are answered with yes."""
    trace = begun().lift().show(volts).answer("confirm").answer("confirm")
    return sealed_job(home, *options, trace=trace, procedure=ASKING)


def asked(home: Path, job: str) -> dict[str, str]:
    """What was asked by the two steps."""
    cues = only(shown(home, job), "cue")
    return {str(cue["step"]): str(cue["text"]) for cue in cues if cue["code"] == "look" and cue["step"] != "breaker"}


def test_the_second_visit_is_told_what_the_first_read(tmp_path: Path) -> None:
    sheet = ("--lift", "L-17", "--sheet", "six-thousand-counts")
    first = visit(tmp_path, *sheet)
    second = visit(tmp_path, *sheet, volts="25.50")
    assert set(asked(tmp_path, first).values()) == {
        f"G1:+: Is that within 0.5 V of the last visit? {NOTHING}",
        f"F1:2: Is no more lost than at the last visit? {NOTHING}",
    }
    told = asked(tmp_path, second)
    # 25.61 V read, 25.58 V behind; ±(0.5 % + 2 counts) and half a count, all rectangular, k = 2.
    assert re.search(r"Last visit, \d{4}-\d\d-\d\d: 25\.61 V ± 0\.18 V\.$", told["last-battery"])
    assert re.search(r"Last visit, \d{4}-\d\d-\d\d: 0\.03 V ± 0\.034 V\.$", told["last-loss"])


def start_of(home: Path, job: str) -> dict[str, object]:
    events: Lines = shown(home, job)
    (start,) = only(events, "start")
    return start


def test_it_stands_in_the_chain_and_replays_without_the_first_visit(tmp_path: Path) -> None:
    first = visit(tmp_path / "one", "--lift", "L-17")
    second = visit(tmp_path / "one", "--lift", "l-17", volts="25.50")
    kept = start_of(tmp_path / "one", second)["last_visit"]
    assert isinstance(kept, dict)
    assert {each["job"] for each in kept.values()} == {first}
    archive = str(tmp_path / "second.zip")
    steadypoint(tmp_path / "one", "export", second, "--as", "archive", "-o", archive)
    (tmp_path / "other").mkdir()
    for command in ("verify", "replay"):
        result = steadypoint(tmp_path / "other", command, archive)
        assert (result.returncode, result.stderr) == (0, ""), result.stdout


def test_a_check_that_names_no_lift_or_another_one_is_told_of_none(tmp_path: Path) -> None:
    visit(tmp_path, "--lift", "L-17")
    for options in ((), ("--lift", "L-18")):
        job = visit(tmp_path, *options)
        assert all(text.endswith(NOTHING) for text in asked(tmp_path, job).values())


def test_the_newest_visit_that_read_it_counts(tmp_path: Path) -> None:
    visit(tmp_path, "--lift", "L-17")
    newest = visit(tmp_path, "--lift", "L-17", volts="25.40")
    sealed_job(tmp_path, "--lift", "L-17", trace=Trace().answer("confirm"), procedure=PROCEDURE)
    kept = start_of(tmp_path, visit(tmp_path, "--lift", "L-17"))["last_visit"]
    assert isinstance(kept, dict)
    assert {each["job"] for each in kept.values()} == {newest}


def test_a_procedure_that_asks_nothing_of_it_keeps_nothing(tmp_path: Path) -> None:
    assert "last_visit" not in start_of(tmp_path, sealed_job(tmp_path, "--lift", "L-17"))


READ = "- {id: a, kind: reading, point: X1, reference: bar, measure: dc-voltage, limits: 24..29 V}\n"
OHMS = "- {id: b, kind: reading, point: X2, reference: bar, measure: resistance, limits: <= 2 Ohm}\n"
OTHER = "- {id: c, kind: reading, point: X3, reference: case, measure: dc-voltage, limits: 24..29 V}\n"


def look(last: str) -> str:
    return f"- {{id: seen, kind: look, point: Q1, ask: Is it so, {last}}}\n"


@pytest.mark.parametrize(
    ("marked", "message"),
    [
        (READ + look("last: ¶z"), "no step has the id 'z'"),
        (READ + look("last: ¶seen"), "'seen' is a look step; expected the id of a reading or agree step"),
        (READ + OHMS + look("last: ¶[a, b]"), "between two steps volts are lost; both must measure dc-voltage"),
        (READ + OTHER + look("last: ¶[a, c]"), "the two are read to other references, or in other situations"),
    ],
)
def test_what_a_question_cannot_refer_to_is_said_at_its_place(marked: str, message: str) -> None:
    text, line, column = unmark(with_steps(marked))
    problem = examine(text, "p").problems[0]
    assert (problem.line, problem.column, problem.message) == (line, column, message)
