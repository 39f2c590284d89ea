"""A small sealed job, recorded as `check` records one."""

from pathlib import Path

from commands import lines, steadypoint
from traces import PROCEDURE, Trace, sound


def sealed_job(home: Path, *options: str, trace: Trace | None = None, procedure: str = PROCEDURE) -> str:
    """Record a job in a folder and return its id; 37 events, unless another trace or procedure is given."""
    home.mkdir(exist_ok=True)
    path = home / "two-volts.yaml"
    path.write_text(procedure, encoding="utf-8")
    meter = (trace or sound()).at(home / "sound.jsonl")
    told = steadypoint(home, "check", str(path), "--meter", meter, "--accept-cautions", "--json", *options).stdout
    return str(lines(told)[0]["job"])
