"""`steadypoint new procedure`: what it writes lints, runs on a simulated lift, and never lands on another file."""

from difflib import ndiff
from pathlib import Path

import pytest

from commands import Lines, lines, only, steadypoint
from meterlink.circuit.load import load_circuit
from meterlink.procedure.load import load_procedure, shipped
from meterlink.procedure.model import ReadingStep
from meterlink.procedure.renamed import renamed

SHEET = "four-thousand-counts"


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    return tmp_path


def made(folder: Path, *arguments: str) -> str:
    """Make a procedure and return where it lies."""
    result = steadypoint(folder, "new", "procedure", *arguments)
    assert (result.returncode, result.stderr) == (0, "")
    return result.stdout.partition(" is written.")[0]


def checked(folder: Path, file: str, scenario: str) -> Lines:
    """Run a procedure on the simulated lift of its circuit, and return what was announced."""
    meter = f"sim:{scenario}?procedure={file}&speed=max&seed=3"
    result = steadypoint(folder, "check", file, "--meter", meter, "--accept-cautions", "--sheet", SHEET, "--json")
    assert result.stderr == ""
    return lines(result.stdout)


def passed(events: Lines) -> bool:
    (end,) = only(events, "end")
    return end["complete"] is True and end["failed"] == end["unclear"] == 0


def test_the_template_lints_clean_and_passes_a_sound_lift(folder: Path) -> None:
    file = made(folder, "mine")
    assert file == "mine.yaml"
    assert steadypoint(folder, "lint", file).stdout == ""
    assert passed(checked(folder, file, "healthy"))
    procedure = load_procedure(file).procedure
    assert (procedure.procedure, procedure.revision) == ("mine", "1")


@pytest.mark.parametrize("fault", ["open:B1", "open:B6", "high:B4", "open:W1"])
def test_the_template_catches_what_it_does_not_except(fault: str, folder: Path) -> None:
    events = checked(folder, made(folder, "mine"), fault)
    assert any(each["outcome"] == "fail" for each in only(events, "verdict"))
    assert not passed(events)


@pytest.mark.parametrize("circuit", ["start-up", "two-stop-lift", "branched-chain"])
def test_a_circuit_s_points_become_steps_that_a_sound_lift_passes(circuit: str, folder: Path) -> None:
    file = made(folder, "points", "--circuit", circuit)
    known = load_circuit(circuit).circuit
    procedure = load_procedure(file).procedure
    points = [step.point for step in procedure.steps]
    assert [node for node in known.nodes if node in points] == points
    left_out = {node for node in known.nodes if f"# {node} is left out: " in Path(file).read_text(encoding="utf-8")}
    assert left_out | set(points) | {known.reference} == set(known.nodes)
    assert all(isinstance(step, ReadingStep) and step.expect == "computed" for step in procedure.steps)
    assert passed(checked(folder, file, "healthy"))


def test_of_a_draft_lint_says_only_what_it_does_not_catch(folder: Path) -> None:
    found = lines(steadypoint(folder, "lint", made(folder, "points", "--circuit", "start-up"), "--json").stdout)
    assert found
    assert all(each["severity"] == "warning" and "no step catches" in str(each["message"]) for each in found)


def test_a_circuit_of_one_s_own_goes_by_its_path_from_the_new_file(folder: Path) -> None:
    circuit = """
circuit: own
title: "A circuit: with a colon # and a sign"
reference: PE
elements:
  - {id: G1, kind: battery, from: PE, to: "G1:+", cells: 12, volts: 24..28 V}
  - {id: F1, kind: fuse, from: "G1:+", to: "F1:2", rating: 5 A}
  - {id: K1, kind: coil, from: "F1:2", to: PE, resistance: 480 Ohm}
  - {id: S9, kind: contact, from: "X9:1", to: "X9:2", normally: closed}
points:
  - {at: "F1:2", probe: no}
"""
    (folder / "lift").mkdir()
    (folder / "lift" / "own.yaml").write_text(circuit, encoding="utf-8")
    file = made(folder, "points", "-o", "lift/points.yaml", "--circuit", "own.yaml")
    text = Path(file).read_text(encoding="utf-8")
    assert [step.point for step in load_procedure(file).procedure.steps] == ["G1:+"]
    assert "# F1:2 is left out: the circuit file says that it cannot be probed." in text
    assert "# X9:1 is left out: nothing drives it at rest" in text
    assert load_procedure(file).procedure.title == "A circuit: with a colon # and a sign"


@pytest.mark.parametrize("original", shipped())
def test_a_copy_keeps_all_but_name_and_revision(original: str, folder: Path) -> None:
    file = made(folder, "copied", "--from", original)
    before = load_procedure(original)
    changes = ndiff(before.source.splitlines(), Path(file).read_text("utf-8").splitlines())
    assert {line[:4].strip() for line in changes if line[0] in "+-"} <= {"- pr", "+ pr", "- re", "+ re"}
    after = load_procedure(file).procedure
    assert after == before.procedure.model_copy(update={"procedure": "copied", "revision": "1"})


@pytest.mark.parametrize(
    ("written", "expected"),
    [
        ("procedure: old   # why\nrevision: 12  # so", "procedure: new   # why\nrevision: 1   # so"),
        ("procedure: 'old'\nrevision: \"12\"", "procedure: new\nrevision: 1"),
        ("procedure: old # why\nrevision: 7", "procedure: new # why\nrevision: 1"),
        ("procedure:\n  old\nrevision:  7", "procedure:\n  new\nrevision:  1"),
    ],
)
def test_a_name_is_replaced_where_it_stands(written: str, expected: str) -> None:
    rest = "\ntitle: T\ncautions: [Take care.]\nsteps: [{id: a, kind: look, point: Q1, ask: In}]\n"
    assert renamed(written + rest, "old.yaml", "new") == expected + rest


def test_a_name_that_is_no_plain_word_is_told() -> None:
    steps = "steps: [{id: a, kind: look, point: Q1, ask: In}]\n"
    text = f"revision: >-\n  7\nprocedure: old\ntitle: T\ncautions: [C.]\n{steps}"
    with pytest.raises(ValueError, match="expected procedure and revision as plain words"):
        renamed(text, "old.yaml", "new")


def test_another_file_is_never_written_over(folder: Path) -> None:
    (folder / "mine.yaml").write_text("precious", encoding="utf-8")
    result = steadypoint(folder, "new", "procedure", "mine")
    assert result.returncode == 2
    assert "mine.yaml: is there already, and is left as it is" in result.stderr
    assert (folder / "mine.yaml").read_text(encoding="utf-8") == "precious"


@pytest.mark.parametrize(
    ("arguments", "expected"),
    [
        (["a b"], "NAME 'a b': expected at most 64 letters"),
        (["x" * 65], "expected at most 64 letters"),
        (["mine", "--circuit", "start-up", "--from", "start-up"], "leave one out"),
        (["mine", "--from", "no-such"], "no shipped procedure of that id"),
        (["mine", "--circuit", "no-such"], "no circuit of that id"),
        (["mine", "-o", "nowhere/mine.yaml"], "nowhere/mine.yaml: cannot be written: No such file or directory"),
    ],
)
def test_wrong_usage_is_told_and_nothing_is_written(arguments: list[str], expected: str, folder: Path) -> None:
    result = steadypoint(folder, "new", "procedure", *arguments)
    assert result.returncode == 2
    assert expected in result.stderr
    assert list(folder.glob("*.yaml")) == []


def test_a_copy_whose_circuit_is_not_found_from_its_place_is_not_written(folder: Path) -> None:
    (folder / "old").mkdir()
    made(folder, "old", "-o", "old/old.yaml")
    text = Path("old/old.yaml").read_text(encoding="utf-8").replace("circuit: start-up", "circuit: ./lift.yaml")
    Path("old/old.yaml").write_text(text, encoding="utf-8")
    Path("old/lift.yaml").write_text(load_circuit("start-up").source, encoding="utf-8")
    result = steadypoint(folder, "new", "procedure", "copied", "--from", "old/old.yaml")
    assert result.returncode == 2
    assert "lift.yaml" in result.stderr
    assert not Path("copied.yaml").exists()
    made(folder, "copied", "--from", "old/old.yaml", "-o", "old/copied.yaml")
