"""The command line as a whole: help for everything, nothing loaded that is not needed, errors without a traceback."""

import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import click
import pytest

from commands import Result, steadypoint, steadypoint_apart
from meterlink.cli import cli, main
from meterlink.errors import FileError, LinkError, MeterlinkError, RecordError, UsageError
from meterlink.procedure.problem import Problem, ProcedureError
from traces import PROCEDURE, sound

ROOT = Path(__file__).parents[1]
COMMANDS = cli.list_commands(click.Context(cli))
HEAVY = ("sqlalchemy", "pydantic", "serial", "bleak", "blessed", "asyncio", "yaml")


@pytest.fixture
def run(tmp_path: Path) -> Callable[..., Result]:
    return lambda *arguments: steadypoint(tmp_path, *arguments)


@pytest.mark.parametrize("sign", ["-h", "--help"])
@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_has_help(run: Callable[..., Result], command: str, sign: str) -> None:
    result = run(command, sign)
    usage, _, text = result.stdout.partition("\n")
    assert (result.returncode, result.stderr) == (0, "")
    assert usage.startswith(f"Usage: steadypoint {command} ")
    assert len(text.strip().splitlines()[0]) > 20


@pytest.mark.parametrize("sign", ["-h", "--help"])
def test_the_help_lists_every_command_with_a_line(run: Callable[..., Result], sign: str) -> None:
    listed = run(sign).stdout.partition("Commands:\n")[2].splitlines()
    names = [line.split()[0] for line in listed if line.startswith("  ") and not line.startswith("   ")]
    assert names == COMMANDS
    assert all(len(line.split()) > 3 for line in listed if line.split()[:1] and line.split()[0] in COMMANDS)


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_is_written_about(command: str) -> None:
    texts = [
        path.read_text(encoding="utf-8") for name in ("README.md", "DEVELOPERS.md") if (path := ROOT / name).exists()
    ]
    assert f"steadypoint {command}" in "\n".join(texts)


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("no-such-command",), "No such command 'no-such-command'"),
        (("--no-such-option",), "No such option"),
        (("check", "start-up"), "Missing option '--meter'"),
        (("check", "--meter", "sim:healthy"), "Missing argument 'PROCEDURE'"),
        (("resume", "--meter", "sim:healthy"), "Missing argument 'JOB'"),
        *(((command, "--no-such-option"), "No such option") for command in COMMANDS),
    ],
)
def test_wrong_usage_ends_with_2(run: Callable[..., Result], arguments: tuple[str, ...], said: str) -> None:
    result = run(*arguments)
    assert (result.returncode, result.stdout) == (2, "")
    assert said in result.stderr


def test_the_version_is_the_distributions(run: Callable[..., Result]) -> None:
    from importlib.metadata import version

    assert run("--version").stdout == f"steadypoint, version {version('steadypoint')}\n"


def test_importing_the_command_line_loads_nothing_heavy() -> None:
    program = f"import sys, meterlink.cli; print([name for name in {HEAVY} if name in sys.modules])"
    assert subprocess.check_output([sys.executable, "-c", program], text=True) == "[]\n"


def test_help_loads_nothing_heavy() -> None:
    program = (
        "import sys, meterlink.cli\n"
        "sys.argv = ['steadypoint', '--help']\n"
        "try: meterlink.cli.main()\n"
        f"except SystemExit: print([name for name in {HEAVY} if name in sys.modules])"
    )
    assert subprocess.check_output([sys.executable, "-c", program], text=True).endswith("\n[]\n")


@pytest.mark.parametrize(
    ("error", "said"),
    [
        (UsageError("no such thing"), "steadypoint: no such thing\n"),
        (LinkError("port busy"), "steadypoint: port busy\n"),
        (RecordError("disk full"), "steadypoint: disk full\n"),
        (FileError("trace.jsonl", "not JSON", 3), "steadypoint: trace.jsonl:3: not JSON\n"),
        (
            ProcedureError("lift.yaml", [Problem(9, 5, "second"), Problem(2, 1, "first")]),
            "lift.yaml:2:1: first\nlift.yaml:9:5: second\n",
        ),
    ],
    ids=lambda value: type(value).__name__,
)
@pytest.mark.parametrize("command", COMMANDS)
def test_an_error_in_any_command_is_a_clear_message_and_status_2(
    run: Callable[..., Result], monkeypatch: pytest.MonkeyPatch, command: str, error: MeterlinkError, said: str
) -> None:
    found = cli.get_command(click.Context(cli), command)
    assert found is not None

    def fail(**_: object) -> None:
        raise error

    monkeypatch.setattr(found, "callback", fail)
    monkeypatch.setattr(found, "params", [])
    result = run(command)
    assert (result.returncode, result.stdout, result.stderr) == (2, "", said)


def test_a_console_that_lacks_a_sign_gets_a_question_mark_and_no_traceback(tmp_path: Path) -> None:
    procedure = tmp_path / "arrow.yaml"
    procedure.write_text(PROCEDURE.replace("pushed in?", "pushed in → ?"), encoding="utf-8")
    meter = sound().at(tmp_path / "sound.jsonl")
    western = {"PYTHONIOENCODING": "latin-1"}
    arguments = ("check", str(procedure), "--meter", meter, "--accept-cautions")
    result = steadypoint_apart(tmp_path, *arguments, more=western)
    assert (result.returncode, result.stderr) == (0, "")
    assert result.stdout.splitlines()[0] == "Q1: Is the breaker pushed in ? ?"
    missing = steadypoint_apart(tmp_path / "empty", "show", "→", more=western)
    assert (missing.returncode, missing.stderr) == (2, "steadypoint: no job '?'; the record holds no job yet\n")


def test_the_entry_point_is_the_command_line() -> None:
    from importlib.metadata import entry_points

    (script,) = entry_points(group="console_scripts", name="steadypoint")
    assert script.load() is main
