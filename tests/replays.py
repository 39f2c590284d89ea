"""Replays stored simulated jobs in fresh processes: other time zones and locales, random hashes, every Python.

    python tests/replays.py 500

Each job is simulated once, sound or with one of many faults, and exported; then each process imports what it finds,
verifies it and replays it. Other Pythons than this one are those named in STEADYPOINT_PYTHONS, separated by colons,
with Steadypoint installed in each.
"""

import json
import os
import random
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import NamedTuple

import click

from commands import environment, steadypoint

SCENARIOS = (
    *("healthy", "healthy", "open-fuse", "open-final-limit", "open-stop", "open-cable-core", "open-lower-door"),
    *("open-edge", "worn-edge", "dirty-connector", "low-battery", "open:X2", "open:B2", "high:B1", "bridged:B1"),
)
_OTHERS = "STEADYPOINT_PYTHONS"


class Setting(NamedTuple):
    """How one process differs from the one that recorded."""

    name: str
    python: str
    variables: dict[str, str]


def settings() -> list[Setting]:
    """This Python as it is here; then each with another time zone, another locale, and random hashes."""
    elsewhere = {"TZ": "Pacific/Chatham", "LC_ALL": "C", "LANG": "C", "PYTHONUTF8": "0", "PYTHONHASHSEED": "random"}
    others = [python for python in os.environ.get(_OTHERS, "").split(":") if python]
    return [
        Setting("a fresh process", sys.executable, {"PYTHONHASHSEED": "1"}),
        *(Setting(f"{version_of(python)}, elsewhere", python, elsewhere) for python in (sys.executable, *others)),
    ]


def version_of(python: str) -> str:
    """What an interpreter calls itself."""
    said = subprocess.run([python, "--version"], capture_output=True, text=True, check=True)
    return said.stdout.strip()


def simulate(home: Path, seed: int) -> str | None:
    """Record a simulated job; return its id, or None for a scenario that the simulation does not have."""
    chance = random.Random(seed)
    repairs = chance.choice(("yes", "no"))
    rate = chance.choice((2, 3, 5, 10))
    meter = f"sim:{chance.choice(SCENARIOS)}?speed=max&seed={seed}&repairs={repairs}&rate={rate}"
    arguments = ("check", "start-up", "--meter", meter, "--accept-cautions", "--json")
    told = steadypoint(home, *arguments).stdout.splitlines()
    return str(json.loads(told[0])["job"]) if told else None


def replay_all(home: Path, jobs: list[str], setting: Setting) -> list[str]:
    """Verify and replay each job in one fresh process of its own; return what is not identical."""
    program = Path(__file__).with_name("replay_here.py")
    result = subprocess.run(
        [setting.python, str(program), str(home), *jobs],
        capture_output=True,
        text=True,
        check=False,
        env=environment(home) | setting.variables,
        cwd=home,
    )
    if result.returncode not in (0, 1):
        return [f"{setting.name}: {result.stderr[-1000:]}"]
    lines = [json.loads(line) for line in result.stdout.splitlines()]
    told = [f"{setting.name}: {line}" for line in lines if not line["identical"] or not line["intact"]]
    return (
        told if len(lines) == len(jobs) else [*told, f"{setting.name}: {len(lines)} of {len(jobs)} jobs were replayed"]
    )


def main(count: int) -> int:
    """Run the full figures; return the exit status."""
    problems: list[str] = []
    with tempfile.TemporaryDirectory() as folder:
        home, began = Path(folder), time.monotonic()
        jobs = [job for seed in range(count) if (job := simulate(home, seed))]
        click.echo(f"{len(jobs)} jobs simulated in {time.monotonic() - began:.0f} s")
        for setting in settings():
            began = time.monotonic()
            found = replay_all(home, jobs, setting)
            problems += found
            click.echo(f"{setting.name}: {len(found)} of {len(jobs)} not identical ({time.monotonic() - began:.0f} s)")
    click.echo("\n".join(problems) or f"100 % identical: {len(jobs)} jobs in {len(settings())} settings")
    return 1 if problems or len(jobs) != count else 0


if __name__ == "__main__":
    sys.exit(main(int(sys.argv[1]) if len(sys.argv) > 1 else 500))
