"""What README.md, DEVELOPERS.md and docs/ say: every example runs; every command, option, link and file is there."""

import json
import os
import re
import shlex
import subprocess
import sys
import tomllib
from pathlib import Path
from typing import Any

import click
import pytest
from click.testing import CliRunner

from meterlink.cli import cli
from meterlink.cli._conduct import ALL_PASSED
from meterlink.driver import parse_meter_url
from meterlink.limits import parse_limits
from meterlink.outcome import VerdictOutcome
from meterlink.phrases import LINK_CUES, REFUSED_CODES
from meterlink.procedure.parse import KINDS, examine
from meterlink.reading import Flag
from meterlink.registry import load_format, load_transport
from procedure_samples import TWO_POINTS
from waiting import PATIENCE_S

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
TEXTS = {
    path.relative_to(ROOT).as_posix(): path.read_text(encoding="utf-8")
    for path in (*sorted(ROOT.glob("*.md")), *sorted((ROOT / "docs").rglob("*.md")))
}
PROCEDURES = TEXTS["docs/procedures.md"]
TRACES = TEXTS["docs/traces.md"]
PROJECT: dict[str, Any] = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
CODE_FOLDERS = ("meterlink", "drivers", "procedures", "sim_devices")


def block(text: str, language: str) -> str:
    """Return the one fenced block of a language."""
    (found,) = re.findall(rf"^```{language}\n(.*?)^```$", text, re.MULTILINE | re.DOTALL)
    return str(found)


def section(text: str, title: str) -> str:
    return text.partition(f"\n## {title}\n")[2].partition("\n## ")[0]


def first_cells(table: str) -> list[str]:
    """Return what stands first in each row that is no heading."""
    return [row.split("|")[1].strip() for row in re.findall(r"^\|.*\|\n(?!\|---)", table, re.MULTILINE)]


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("STEADYPOINT_HOME", str(tmp_path / "home"))
    return tmp_path


def without_fences(text: str) -> str:
    return re.sub(r"^```.*?^```$", "", text, flags=re.MULTILINE | re.DOTALL)


@pytest.mark.parametrize("name", TEXTS)
def test_lines_of_prose_are_no_longer_than_the_code_s(name: str) -> None:
    assert [line for line in without_fences(TEXTS[name]).splitlines() if len(line) > 120] == []


def test_the_readme_is_the_job_the_two_commands_and_a_page_for_each_user() -> None:
    titles = re.findall(r"^## (.*)$", README, re.MULTILINE)
    assert titles == ["Two commands", "Cautions", "The technician", "The office", "The auditor", "Commands", "More"]
    job = README.partition("\n## ")[0].removeprefix("# Steadypoint\n").strip()
    assert "\n\n" not in job
    assert re.findall(r"^`(make \w+)`", section(README, "Two commands"), re.MULTILINE) == ["make demo", "make test"]
    for user in ("The technician", "The office", "The auditor"):
        page = section(README, user)
        assert len(page.splitlines()) <= 75
        assert "\nA usual day, in order:\n\n    steadypoint " in page


def anchors(text: str) -> set[str]:
    """Return what a link can name of a text: its headings, in lower case, spaces as hyphens, other signs left out."""
    headings = re.findall(r"^#+ (.*)$", without_fences(text), re.MULTILINE)
    return {re.sub(r"[^\w\- ]", "", heading.lower()).replace(" ", "-") for heading in headings}


@pytest.mark.parametrize("name", TEXTS)
def test_every_link_and_picture_is_there(name: str) -> None:
    prose = re.sub(r"^ {4}.*$|`[^`]*`", "", without_fences(TEXTS[name]), flags=re.MULTILINE)
    targets = re.findall(r"\]\(([^)\s]+)\)", prose)
    assert len(targets) == prose.count("](")
    for target in targets:
        if target.startswith("https://"):
            continue
        path, _, anchor = target.partition("#")
        meant = (ROOT / name).parent / path if path else ROOT / name
        assert meant.is_file(), target
        assert not anchor or anchor in anchors(meant.read_text(encoding="utf-8")), target


def test_every_text_is_linked_from_the_readme_and_every_picture_is_shown_somewhere() -> None:
    linked = set(re.findall(r"\]\(([\w/.-]+\.md)", README))
    assert linked == set(TEXTS) - {"README.md"}
    shown = {path.rpartition("/")[2] for text in TEXTS.values() for path in re.findall(r"!\[[^]]+\]\(([^)]+)\)", text)}
    assert shown == {path.name for path in (ROOT / "docs" / "pictures").iterdir()}


def command_lines(text: str) -> list[str]:
    """Return the calls of the program that stand on lines of their own, in blocks."""
    joined = re.sub(r"\\\n +", "", text)
    return re.findall(r"^(?: {4}|\$ |)steadypoint ([a-z].*)$", joined, re.MULTILINE)


@pytest.mark.parametrize("name", [name for name, text in TEXTS.items() if command_lines(text)])
def test_every_command_line_is_one_that_the_program_takes(name: str) -> None:
    for line in command_lines(TEXTS[name]):
        command: click.Command = cli
        context = click.Context(cli, **cli.context_settings)
        words = shlex.split(line, comments=True)
        while isinstance(command, click.Group):
            named = command.get_command(context, words.pop(0))
            assert named is not None, line
            command, context = named, click.Context(named, parent=context)
        given, too_many, _ = command.make_parser(context).parse_args(words)
        assert too_many == [], line
        for parameter in command.params:
            value = given.get(parameter.name or "")
            said = isinstance(value, str | list | tuple) and bool(value)
            assert said or not parameter.required, f"{line}: no {parameter.name}"
            if isinstance(parameter.type, click.Choice) and isinstance(value, str):
                assert value in parameter.type.choices, line


def test_the_table_of_the_library_has_every_procedure_and_no_other() -> None:
    _, *rows = first_cells(section(PROCEDURES, "The library"))
    there = (ROOT / "procedures" / "meterlink_procedures").glob("*.yaml")
    assert sorted(row.strip("`") for row in rows) == sorted(path.stem for path in there)


def test_the_circuit_of_the_docs_is_found_as_they_say(folder: Path) -> None:
    circuit = section(PROCEDURES, "The circuit").partition("    circuit: short-chain")[2].partition("\n\n")[0]
    text = "circuit: short-chain" + circuit.replace("\n    ", "\n")
    (folder / "short-chain.yaml").write_text(f"{text}\n", encoding="utf-8")
    (shown,) = re.findall(r"^```\n(\$ steadypoint find.*?)^```$", PROCEDURES, re.MULTILINE | re.DOTALL)
    asked, *lines = shown.splitlines()
    found = CliRunner().invoke(cli, shlex.split(asked.removeprefix("$ steadypoint ")))
    assert found.exit_code == 0
    parts = "\n".join(lines).split("\n...\n")
    assert found.output.startswith(parts[0])
    assert found.output.endswith(parts[1] + "\n")


def test_every_command_stands_in_the_readme_with_its_own_arguments() -> None:
    listed = re.findall(r"`steadypoint ([\w-]+)([^`]*)`", "\n".join(first_cells(section(README, "Commands"))))
    context = click.Context(cli, **cli.context_settings)
    assert sorted(name for name, _ in listed) == sorted(cli.list_commands(context))
    for name, arguments in listed:
        command = cli.get_command(context, name)
        assert command is not None
        usage = " ".join(command.collect_usage_pieces(click.Context(command, parent=context)))
        options = " ".join(option for parameter in command.params for option in parameter.opts)
        for word in re.findall(r"--?[a-z]+", arguments):
            assert word in options, f"{name} has no option {word}"
        for word in re.findall(r"(?<!--meter )(?<!--format )\b[A-Z]+\b", arguments):
            assert word in usage, f"{name} takes no {word}"


def test_the_commands_that_the_readme_says_take_json_do() -> None:
    said = section(README, "Commands").partition(" take `--json`")[0].rpartition("\n\n")[2]
    takes = {
        name
        for name in cli.list_commands(click.Context(cli))
        if "--json" in CliRunner().invoke(cli, [name, "--help"]).output
    }
    assert set(re.findall(r"`([\w-]+)`", said)) == takes


def test_the_readme_gives_the_exit_statuses_of_the_help() -> None:
    rows = [row for row in first_cells(section(README, "Commands")) if row.isdigit()]
    help_text = " ".join(CliRunner().invoke(cli, ["check", "--help"]).output.split())
    assert rows == re.findall(r"(\d) [a-z ]+", help_text.partition("Exit status: ")[2])


def test_every_meter_address_in_the_docs_can_be_opened_as_far_as_names_go() -> None:
    examples = re.findall(r"^\| `([a-z]+:[^`]+)`", TEXTS["docs/meters.md"], re.MULTILINE)
    assert {address.partition(":")[0] for address in examples} == {"serial", "tcp", "ble", "trace", "sim"}
    for address in examples:
        url = parse_meter_url(address)
        if url.scheme == "trace":
            assert not url.options
            continue
        transport = load_transport(url.scheme)
        wire = load_format(url.options.get("format") or transport.default_format or "")
        assert set(url.options) <= {"format", "time-scale", *transport.options, *wire.options}


def test_the_smallest_procedure_is_the_contract_s_and_its_trace_passes_it(folder: Path) -> None:
    assert block(PROCEDURES, "yaml") == TWO_POINTS
    (folder / "two-points.yaml").write_text(TWO_POINTS, encoding="utf-8")
    (folder / "two-points.jsonl").write_text(block(TRACES, "json"), encoding="utf-8")
    (command,) = re.findall(r"^ +steadypoint (check two-points.*)$", TRACES, re.MULTILINE)

    assert CliRunner().invoke(cli, ["lint", "two-points.yaml"]).output == ""
    result = CliRunner().invoke(cli, command.split())

    assert result.exit_code == ALL_PASSED, result.output
    assert "complete: 4 passed, 0 failed, 0 unclear, 0 not judged" in result.output


def test_the_docs_procedure_of_every_kind_is_sound_and_has_them_all(folder: Path) -> None:
    indented = (
        section(PROCEDURES, "Every kind of step").partition("    procedure: every-kind")[2].partition("\n\n- `")[0]
    )
    text = "procedure: every-kind" + indented.replace("\n    ", "\n")
    examined = examine(f"{text}\n", "every-kind.yaml")
    assert examined.problems == ()
    assert examined.procedure is not None
    told = set(re.findall(r"^- `(\w+)`:", section(PROCEDURES, "Every kind of step"), re.MULTILINE))
    assert {step.kind for step in examined.procedure.steps} == told | {"reading", "look"}
    assert told | {"reading", "agree", "look"} == set(KINDS)


def test_every_cue_code_stands_in_the_table_and_no_other() -> None:
    _, *rows = first_cells(section(DEVELOPERS, "Cues"))
    listed = [code for cell in rows for code in cell.split(", ")]
    code = "".join(path.read_text(encoding="utf-8") for path in (ROOT / "meterlink").rglob("*.py"))
    written = set(re.findall(r"\b(?:Cue|tell)\(\s*\"([a-z-]+)\"", code)) | {cue for cue, _ in LINK_CUES.values()}
    asked = {"probe", "look", "ask", "find"}
    assert sorted(listed) == sorted(written | REFUSED_CODES | asked | {outcome.value for outcome in VerdictOutcome})


def test_the_limits_and_flags_named_in_the_docs_are_those_there_are() -> None:
    written = (
        section(PROCEDURES, "The smallest procedure").partition("Limits include their ends: ")[2].partition(". `")[0]
    )
    for text in re.findall(r"`([^`]{2,})`", written.replace("(or `+-`)", "")):
        assert parse_limits(text).text == text
    flags = " ".join(TRACES.split()).partition("may be left out; they are ")[2].partition(". Units")[0]
    assert set(re.findall(r"`([a-z-]+)`", flags)) == set(Flag)


def test_the_map_names_every_file_and_no_other() -> None:
    rooms = section(DEVELOPERS, "The rooms, in the order of the data")
    named = set(re.findall(r"^([a-z_]+/\S+) +\S", rooms, re.MULTILINE))
    there = {
        path.relative_to(ROOT).as_posix()
        for folder in CODE_FOLDERS
        for pattern in ("*.py", "*.yaml")
        for path in (ROOT / folder).rglob(pattern)
        if path.name != "__init__.py"
    }
    folders = {name for name in named if name.endswith("/")}
    assert folders == {
        "drivers/meterlink_drivers/profiles/",
        "meterlink/cli/",
        "meterlink/web/static/",
        "sim_devices/meterlink_sim/encoders/",
    }
    assert named == {name for name in there if not name.startswith(tuple(folders))} | folders


@pytest.mark.parametrize(
    ("heading", "declared"),
    [
        ("| run time | why not our own code |", PROJECT["project"]["dependencies"]),
        ("| development | why |", PROJECT["dependency-groups"]["dev"]),
    ],
)
def test_every_dependency_is_justified_and_no_other(heading: str, declared: list[str]) -> None:
    table = DEVELOPERS.partition(heading)[2].partition("\n\n")[0]
    named = [name for cell in first_cells(f"{heading}{table}\n") for name in cell.split(", ")]
    assert sorted(named[1:]) == sorted(re.split("[<>=]", requirement)[0] for requirement in declared)


def test_the_programs_of_make_bench_are_there() -> None:
    recipe = re.findall(r"python (tests/\w+\.py)", (ROOT / "Makefile").read_text(encoding="utf-8"))
    assert recipe == re.findall(r"`(tests/\w+\.py)` \(", DEVELOPERS)
    assert [name for name in recipe if not (ROOT / name).is_file()] == []


@pytest.fixture
def outside(tmp_path: Path) -> Path:
    """Write and install the package of DEVELOPERS.md; return the folder with its source and, in `target`, itself."""
    (tmp_path / "pyproject.toml").write_text(block(DEVELOPERS, "toml"), encoding="utf-8")
    (tmp_path / "volts_meter.py").write_text(block(DEVELOPERS, "python"), encoding="utf-8")
    pip = [sys.executable, "-m", "pip", "install", "--quiet", "--no-deps", "--no-build-isolation", "--no-index"]
    subprocess.run([*pip, "--target", str(tmp_path / "target"), str(tmp_path)], check=True, timeout=PATIENCE_S)
    return tmp_path


def steadypoint(outside: Path, *arguments: str) -> list[dict[str, Any]]:
    result = subprocess.run(
        [sys.executable, "-m", "meterlink", *arguments],
        env=os.environ | {"PYTHONPATH": str(outside / "target")},
        cwd=outside,
        capture_output=True,
        check=True,
        timeout=PATIENCE_S,
    )
    return [json.loads(line) for line in result.stdout.splitlines()]


def test_the_example_package_works_as_format_and_as_transport(outside: Path) -> None:
    garbage = b"\x80\xff24.06\n" + b"9" * 1000 + b"24.06\n-.5\n"
    (outside / "capture.bin").write_bytes(garbage + b"24.06\r\n-0.05\n25.1")

    heard = steadypoint(outside, "listen", "--json", "capture:capture.bin")
    decoded = steadypoint(outside, "decode", "--format", "volts-line", "capture.bin")

    shown = [(each["display"], each["function"]) for each in heard if each["event"] == "reading"]
    assert shown == [("24.06", "dc-voltage"), ("-0.05", "dc-voltage")]
    assert sum(each["bytes"] for each in heard if each["event"] == "refused") == len(garbage.replace(b"\n", b""))
    assert [each["display"] for each in decoded] == ["24.06", "-0.05"]


def test_the_example_package_is_typed_and_tidy(outside: Path) -> None:
    example = outside / "volts_meter.py"
    config = ["--config-file", str(ROOT / "pyproject.toml")]
    # mypy: the command line replaces the files that the configuration names.
    types = [sys.executable, "-m", "mypy", *config, "--cache-dir", str(outside / "cache"), str(example)]
    style = [sys.executable, "-m", "ruff", "check", "--config", str(ROOT / "pyproject.toml"), "--ignore", "D1"]
    for command in (types, [*style, str(example)]):
        result = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False, timeout=PATIENCE_S)
        assert result.returncode == 0, result.stdout
