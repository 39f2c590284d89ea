"""Finding, reading and understanding procedure files; every problem with its place."""

from pathlib import Path
from textwrap import dedent

import pytest
import yaml

from meterlink.errors import FileError
from meterlink.procedure.load import MAX_BYTES, load_procedure, parse_procedure
from meterlink.procedure.model import AgreeStep, LookStep, ReadingStep
from meterlink.procedure.parse import examine
from meterlink.procedure.problem import ProcedureError
from meterlink.reading import Function
from procedure_samples import TWO_POINTS, unmark, with_steps


def test_the_smallest_procedure_loads_unchanged(tmp_path: Path) -> None:
    file = tmp_path / "two-points.yaml"
    file.write_text(TWO_POINTS)

    loaded = load_procedure(file)

    bank, fuse, breaker, edge = loaded.procedure.steps
    assert isinstance(bank, ReadingStep)
    assert (bank.id, bank.point, bank.reference) == ("bank", "G1:+", "earth bar")
    assert bank.measure == (Function.DC_VOLTAGE,)
    assert bank.limits.text == "24.0..29.0 V"
    assert bank.on_fail == "continue"
    assert isinstance(fuse, AgreeStep)
    assert (fuse.with_, str(fuse.within.high), fuse.within.unit) == ("bank", "0.3", "V")
    assert isinstance(breaker, LookStep)
    assert breaker.ask == "Is the breaker pushed in?"
    assert isinstance(edge, ReadingStep)
    assert edge.limits.text == "<= 2 Ohm"
    assert loaded.procedure.revision == "1"
    assert loaded.source == TWO_POINTS
    assert examine(TWO_POINTS, "p").problems == ()


def test_names_that_look_like_numbers_or_truths_stay_text() -> None:
    (step,) = parse_procedure(with_steps("- {id: on, kind: look, point: 12, ask: 24}"), "p").steps

    assert isinstance(step, LookStep)
    assert (step.id, step.point, step.ask) == ("on", "12", "24")


def test_a_bare_lower_limit_loads_with_a_warning_where_another_reader_refuses() -> None:
    text = with_steps("- {id: a, kind: reading, point: X1, reference: X2, measure: resistance, limits: >= 1 MOhm}")
    block = text.replace("{", "").replace("}", "").replace(", ", "\n    ")

    with pytest.raises(yaml.YAMLError):  # PyYAML itself: that it wants quotes is no invention of ours
        yaml.safe_load(block)
    examined = examine(block, "p")
    assert examined.procedure is not None
    (warning,) = examined.problems
    assert (warning.line, warning.column, warning.severity) == (11, 13, "warning")


def test_several_functions_may_be_listed() -> None:
    step = "- {id: a, kind: reading, point: X1, reference: X2, measure: [resistance, continuity], limits: OL}"
    (read,) = parse_procedure(with_steps(step), "p").steps

    assert isinstance(read, ReadingStep)
    assert read.measure == (Function.RESISTANCE, Function.CONTINUITY)


LOOK = "- {id: a, kind: look, point: Q1, ask: Is it in}"


LETTERS = "expected letters, digits, '.', '_' and '-', a letter or digit first"
STEP = "- {id: a, kind: reading, point: Q1, reference: b, measure: dc-voltage, limits: 24..29 V}"
AGREE = "- {id: a, kind: agree, point: Q1, reference: b, measure: dc-voltage, with: x, within: 1 V}"
WHOLE = with_steps(LOOK)


@pytest.mark.parametrize(
    ("marked", "message"),
    [
        ("¶text\n", "the file: found text, expected keys with values"),
        ("¶- a\n", "the file: found a list, expected keys with values"),
        ("¶" + WHOLE.replace("title: Sample\n", ""), "key 'title' is missing, a procedure needs it"),
        ("¶" + WHOLE.replace("steps", "stesp"), "key 'steps' is missing, a procedure needs it"),
        (WHOLE.replace("steps", "¶stesp"), "key 'stesp' is not known in a procedure; did you mean 'steps'?"),
        (WHOLE.replace("sample", "¶a sample"), f"procedure 'a sample': {LETTERS}"),
        (WHOLE.replace(" Sample", "¶"), "title is empty, expected text"),
        (WHOLE.replace("Sample", "¶" + "x" * 2001), "title is longer than 2000 characters"),
        (WHOLE.replace("Sample", "¶[a]"), "title: found a list, expected text"),
        (WHOLE.replace("Sample", "¶{a: b}"), "title: found keys with values, expected text"),
        (WHOLE.replace("[Take care.]", "¶Take care."), "cautions: found text, expected a list"),
        (WHOLE.replace("[Take care.]", "¶[]"), "cautions is an empty list, expected at least one entry"),
        (WHOLE.replace("[Take care.]", "[a, ¶'']"), "cautions is empty, expected text"),
        (with_steps("").replace("steps:", "steps:¶"), "steps: found text, expected a list"),
        (with_steps("- ¶text"), "steps: found text, expected keys with values"),
        (with_steps("- ¶{id: a, kind: look, point: Q1}"), "key 'ask' is missing, a look step needs it"),
        (with_steps(LOOK.replace("id:", "¶limit: x, id:")), "key 'limit' is not known in a look step; known are id, "
            "point, say, remedy, on_fail, if, holds, last, kind, ask"),
        (with_steps(LOOK.replace("point:", "¶pint:")), "key 'pint' is not known in a look step; did you mean 'point'?"),
        (with_steps(LOOK.replace("kind: look, ", "").replace("{", "¶{")), "key 'kind' is missing, expected reading, "
            "agree, operate, watch, interval, dead, look, bridge or ask"),
        (with_steps(LOOK.replace("look", "¶lock")), "kind 'lock' is not known, expected 'reading', 'agree', "
            "'operate', 'watch', 'interval', 'dead', 'look', 'bridge', 'ask'; did you mean 'look'?"),
        (with_steps(LOOK.replace("}", ", on_fail: ¶halt}")), "on_fail 'halt' is not known, expected 'continue', "
            "'stop', 'find' or 'go-to ID'"),
        (with_steps(LOOK.replace("id: a", "id: ¶-a")), f"id '-a': {LETTERS}"),
        (with_steps(STEP.replace("24..29 V", "¶29..24 V")), "limits: '29..24 V' is upside down: lower limit 29 V, "
            "upper limit 24 V"),
        (with_steps(STEP.replace("24..29 V", "¶{low: 1}")), "limits: expected limits as text, such as 22.0..29.0 V"),
        (with_steps(STEP.replace("dc-voltage", "¶[]")), "measure is an empty list, expected at least one entry"),
        (with_steps(STEP.replace("dc-voltage", "¶{a: b}")), "measure: found keys with values, expected a list"),
        (with_steps(AGREE.replace("1 V", "¶-1 V")), "within: '-1 V': a difference must not be negative"),
        (with_steps(AGREE.replace("1 V", "¶[1]")), "within: expected a difference as text, such as 0.3 V"),
        (with_steps(AGREE.replace("with: x, ", "").replace("{", "¶{")), "key 'with' is missing, an agree step needs "
            "it"),
        (WHOLE + "\nreferences: [¶{name: x}]\n", "key 'where' is missing, a reference needs it"),
    ],
)  # fmt: skip
def test_each_error_has_its_place_and_one_sentence(marked: str, message: str) -> None:
    text, line, column = unmark(marked)

    with pytest.raises(ProcedureError) as caught:
        parse_procedure(text, "some.yaml")
    assert f"some.yaml:{line}:{column}: {message}" in str(caught.value).splitlines()
    assert len(caught.value.problems) <= 2  # a misspelt key is unknown, and the right one missing


def test_an_unknown_function_is_answered_with_the_nearest() -> None:
    text, line, column = unmark(with_steps(STEP.replace("dc-voltage", "[resistance, ¶dc-volt]")))

    (problem,) = examine(text, "p").problems
    assert (problem.line, problem.column) == (line, column)
    assert problem.message.startswith("measure 'dc-volt' is not known, expected 'dc-voltage', 'ac-voltage', 'res")
    assert problem.message.endswith("; did you mean 'dc-voltage'?")


def test_all_problems_of_a_file_come_together_in_its_order() -> None:
    text = dedent(
        """\
        procedure: sample
        revision: 1
        cautions: [Take care.]
        colour: red
        steps:
          - {id: a, kind: look, point: Q1}
          - {id: b, kind: look, point: Q1, ask: Is it in}
          - {id: b, kind: reading, point: Q1, reference: x, measure: dc-voltage, limits: OL}
        """
    )

    with pytest.raises(ProcedureError) as caught:
        parse_procedure(text, "p.yaml")

    assert [(line.split(": ")[0], line.split(" ")[1:3]) for line in str(caught.value).splitlines()] == [
        ("p.yaml:1:1", ["key", "'title'"]),
        ("p.yaml:4:1", ["key", "'colour'"]),
        ("p.yaml:6:5", ["key", "'ask'"]),
        ("p.yaml:8:10", ["id", "'b'"]),
        (f"p.yaml:8:{text.splitlines()[7].index('OL') + 1}", ["OL:", "dc-voltage"]),
    ]


def test_what_refers_to_a_broken_step_is_not_called_wrong_too() -> None:
    broken = STEP.replace("24..29 V", "1 V")
    agree = AGREE.replace("id: a", "id: b").replace("with: x", "with: a")

    assert [each.line for each in examine(with_steps(f"{broken}\n{agree}\n"), "p").problems] == [6]


def test_a_byte_order_mark_and_either_line_end_are_fine(tmp_path: Path) -> None:
    file = tmp_path / "p.yaml"
    file.write_bytes(b"\xef\xbb\xbf" + TWO_POINTS.replace("\n", "\r\n").encode())

    loaded = load_procedure(file)

    assert loaded.source == TWO_POINTS.replace("\n", "\r\n")
    assert loaded.procedure == parse_procedure(TWO_POINTS, "p")


def test_the_stored_text_makes_the_same_procedure() -> None:
    loaded = load_procedure("start-up")

    assert parse_procedure(loaded.source, "stored") == loaded.procedure


def test_bytes_that_are_not_utf_8_are_placed_in_characters(tmp_path: Path) -> None:
    file = tmp_path / "p.yaml"
    file.write_bytes("procedure: a\ntitle: Tür ".encode() + b"\xfc\n")

    with pytest.raises(FileError, match="byte 0xfc is not UTF-8") as caught:
        load_procedure(file)
    assert (caught.value.line, caught.value.column) == (2, 12)


def test_a_file_that_is_too_large_is_not_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    file = tmp_path / "p.yaml"
    with file.open("wb") as stream:
        stream.truncate(50_000_000)
    reads: list[Path] = []
    monkeypatch.setattr(Path, "read_bytes", reads.append)

    with pytest.raises(FileError, match=f"has 50000000 bytes; a procedure file has at most {MAX_BYTES}"):
        load_procedure(file)
    assert reads == []


def test_a_file_of_the_greatest_size_is_read(tmp_path: Path) -> None:
    file = tmp_path / "p.yaml"
    file.write_text(TWO_POINTS + "#" * (MAX_BYTES - len(TWO_POINTS)))

    assert load_procedure(file).procedure.procedure == "two-points"


def test_a_name_that_is_nothing_lists_what_is_shipped() -> None:
    with pytest.raises(
        FileError,
        match=r"^no-such: no such file, and no shipped procedure of that id; shipped: battery-charger, .*start-up",
    ):
        load_procedure("no-such")


@pytest.mark.parametrize("name", ["x" * 5000, "a\0b"])
def test_a_name_that_no_file_can_have_is_an_error_of_the_file(name: str) -> None:
    with pytest.raises(FileError):
        load_procedure(name)


def test_a_folder_is_not_a_procedure(tmp_path: Path) -> None:
    with pytest.raises(FileError, match="is not a file"):
        load_procedure(tmp_path)


def test_a_file_of_the_same_name_goes_before_the_shipped_one(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "start-up").write_text(TWO_POINTS)
    monkeypatch.chdir(tmp_path)

    assert load_procedure("start-up").procedure.procedure == "two-points"
