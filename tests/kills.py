"""Kills a running check at random moments; whatever it announced up to then must be in the record, and stay there.

As a program it runs the full figures:

    python tests/kills.py 100
"""

import json
import random
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections import Counter
from contextlib import closing, suppress
from dataclasses import dataclass, field
from pathlib import Path

import click

from commands import Lines, environment, jobs, lines, only, shown, steadypoint_apart
from meterlink.record.store import FILE_NAME

SPEED = 60
RUN_S = 2.2
"""How long the check then runs at least: 130 simulated seconds. The moment of the kill is spread over it."""
STEPS = 25
"""Of the start-up procedure; on a sound lift every one passes."""


@dataclass(slots=True)
class Kill:
    """What one kill came to."""

    moment: str
    """Where it fell: before the job, between verdicts, after the end."""
    announced: int
    """Verdicts announced up to the kill."""
    wrong: list[str] = field(default_factory=list)


def kill_once(home: Path, seed: int) -> Kill:
    """Start a check in a folder of its own, kill it, look into the record, and bring the job to its end."""
    meter = f"sim:healthy?speed={SPEED}&seed={seed}"
    told = _killed_check(home, meter, seed)
    announced = only(told, "verdict")
    stored_jobs = jobs(home)
    if not stored_jobs:
        return Kill("before the job", 0, ["announced a job that is not stored"] if told else [])
    job = str(stored_jobs[0]["job"])
    stored = shown(home, job)
    kill = Kill("after the end" if only(stored, "end") else "between verdicts", len(announced))
    kill.wrong += [
        f"announced and not stored: {event}" for event in told if event["event"] != "job" and event not in stored
    ]
    if integrity(home) != ["ok"]:
        kill.wrong.append(f"integrity check: {integrity(home)}")
    if kill.moment != "after the end":
        kill.wrong += _resumed(home, job, meter, stored)
    return kill


def integrity(home: Path) -> list[str]:
    """What SQLite itself says about the file (https://www.sqlite.org/pragma.html#pragma_integrity_check)."""
    with closing(sqlite3.connect(home / FILE_NAME)) as file:
        return [text for (text,) in file.execute("PRAGMA integrity_check")]


def _killed_check(home: Path, meter: str, seed: int) -> Lines:
    """Return the whole lines that came out of the pipe before the process was killed.

    The moment is counted from the first line, so that it falls into the check on a slow machine too; one kill in ten
    is counted from the start of the process, and may fall before the job.
    """
    arguments = ["check", "start-up", "--meter", meter, "--accept-cautions", "--json"]
    after_s = random.Random(f"kill {seed}").uniform(0, RUN_S)
    with subprocess.Popen(
        [sys.executable, "-m", "meterlink", *arguments],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        bufsize=0,  # a buffer would keep from `communicate` what `readline` has not taken
        env=environment(home),
    ) as check:
        assert check.stdout is not None
        first = b"" if seed % 10 == 0 else check.stdout.readline()
        with suppress(subprocess.TimeoutExpired):
            check.communicate(timeout=after_s)
        check.kill()
        rest, _ = check.communicate()
    whole, _, _ = (first + rest).decode().rpartition("\n")
    return lines(whole)


def _resumed(home: Path, job: str, meter: str, stored: Lines) -> list[str]:
    """Bring the job to its end and say what is wrong with it then."""
    result = steadypoint_apart(home, "resume", job, "--meter", meter.replace(f"={SPEED}&", "=max&"), "--json")
    if result.returncode != 0:
        return [f"resume ended with {result.returncode}: {result.stderr or result.stdout[-500:]}"]
    after = shown(home, job)
    wrong = [] if after[: len(stored)] == stored else ["what was stored before the kill is not what it was"]
    end = json.loads(result.stdout.splitlines()[-1])
    counts = Counter(str(verdict["step"]) for verdict in only(after, "verdict"))
    if not end["complete"] or end["passed"] != STEPS or set(counts.values()) != {1}:
        wrong.append(f"came to {end}, verdicts {counts}")
    return wrong


def main(count: int) -> int:
    """Run the full figures; return the exit status."""
    kills = []
    began = time.monotonic()
    for seed in range(count):
        with tempfile.TemporaryDirectory() as folder:
            kills.append(kill_once(Path(folder), seed))
        for line in kills[-1].wrong:
            click.echo(f"seed {seed}: {line}")
    moments = Counter(kill.moment for kill in kills)
    click.echo(f"{count} kills in {time.monotonic() - began:.0f} s: {dict(moments.most_common())}")
    spread = sorted(kill.announced for kill in kills if kill.moment == "between verdicts")
    click.echo(f"{sum(kill.announced for kill in kills)} verdicts announced before a kill; between verdicts {spread}")
    failed = sum(bool(kill.wrong) for kill in kills)
    click.echo(f"{failed} kills lost or changed something, or left a job that could not be brought to its end")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main(int(sys.argv[1]) if len(sys.argv) > 1 else 100))
