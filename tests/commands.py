"""Runs `steadypoint` commands, within this process or in their own, each with a home folder that the test names."""

import json
import os
import subprocess
import sys
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

from click.testing import CliRunner

from meterlink.cli import main
from meterlink.home import VARIABLE
from waiting import PATIENCE_S

Lines = list[dict[str, object]]


def environment(home: Path, more: Mapping[str, str] | None = None) -> dict[str, str]:
    """The environment of a command whose record lies in that folder; UTF-8, whatever this machine speaks."""
    return {**os.environ, "PYTHONUTF8": "1", VARIABLE: str(home), **(more or {})}


@dataclass(frozen=True, slots=True)
class Result:
    """What a command came to."""

    returncode: int
    stdout: str
    stderr: str


def steadypoint(home: Path, *arguments: str, stdin: str = "") -> Result:
    """Run a command to its end within this process, which is quick; standard streams and environment are its own."""
    given, sys.argv = sys.argv, ["steadypoint", *arguments]
    try:
        with CliRunner().isolation(input=stdin, env={VARIABLE: str(home)}) as (stdout, stderr, _):
            status = _status(main)
            sys.stdout.flush()
            return Result(status, stdout.getvalue().decode(), stderr.getvalue().decode())
    finally:
        sys.argv = given


def steadypoint_apart(
    home: Path, *arguments: str, more: Mapping[str, str] | None = None, within_s: float = PATIENCE_S
) -> subprocess.CompletedProcess[str]:
    """Run a command to its end in a process of its own."""
    return subprocess.run(
        [sys.executable, "-m", "meterlink", *arguments],
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        check=False,
        timeout=within_s,
        env=environment(home, more),
    )


def started(home: Path, *arguments: str) -> subprocess.Popen[str]:
    """Start a command; its standard streams are pipes."""
    return subprocess.Popen(
        [sys.executable, "-m", "meterlink", *arguments],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env=environment(home),
    )


def lines(output: str) -> Lines:
    """Read JSON lines; fail where one is no object."""
    parsed = [json.loads(line) for line in output.splitlines()]
    assert all(isinstance(line, dict) for line in parsed)
    return parsed


def shown(home: Path, job: str) -> Lines:
    """The events of a job in the record, in their public form, without their numbers and wall clock times."""
    _, *events = lines(steadypoint(home, "show", job, "--json").stdout)
    return [{key: value for key, value in event.items() if key not in ("seq", "utc")} for event in events]


def jobs(home: Path) -> Lines:
    """The jobs in the record, newest first."""
    return lines(steadypoint(home, "jobs", "--json").stdout)


def only(events: Lines, kind: str) -> Lines:
    """Those events that are of a kind."""
    return [event for event in events if event["event"] == kind]


def _status(command: Callable[[], object]) -> int:
    try:
        command()
    except SystemExit as end:
        return end.code if isinstance(end.code, int) else 1
    return 0
