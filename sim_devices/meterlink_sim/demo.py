"""`steadypoint demo`: the whole line at work, from bytes on a pseudo-terminal to the record.

A simulated technician hears what a real `steadypoint check`, in a process of its own, announces, and answers it as a
person would.
"""

import json
import random
import subprocess
import sys
from dataclasses import dataclass

import click

from meterlink.home import home_folder
from meterlink.outcome import Answer
from meterlink.prepared import prepare
from meterlink.procedure.load import load_procedure
from meterlink_sim.circuit_lift import faults_of
from meterlink_sim.lift import SimulatedJob
from meterlink_sim.pty_port import PtyPort
from meterlink_sim.scenario import SCENARIOS

PROCEDURE = "start-up"
SHEET = "six-thousand-counts"
"""The accuracy of the simulated meter, whose own error is well inside it."""
RUNS = (("healthy", None), ("open-final-limit", "open:B1"))
"""Scenario, and the fault that the check must find; both jobs end with all steps passed, the second after a repair."""


@dataclass(frozen=True, slots=True)
class _Result:
    job: str
    status: int
    found: str | None


@click.command("demo", short_help="Run a whole start-up check of a simulated lift, then one with a fault.")
@click.option("--seed", type=int, help="Which lift, meter and technician; another one each time when absent.")
@click.option("--time-scale", default=10.0, show_default=True, type=click.FloatRange(1, 50), help="Speed of time.")
def command(seed: int | None, time_scale: float) -> None:
    """Run a start-up check of a sound lift, then one of a lift whose final limit is open: it is found and mended.

    The meter is a real pseudo-terminal that sends a meter's bytes. Lift, meter and technician are simulated.
    """
    seed = random.randrange(1000) if seed is None else seed
    results = []
    for scenario, _ in RUNS:
        click.echo(f"\n{SCENARIOS[scenario].summary} Simulated lift {seed}, {time_scale:g} times as fast as real.\n")
        results.append(_start_up(scenario, seed, time_scale))
        subprocess.run([sys.executable, "-m", "meterlink", "show", results[-1].job], check=True)  # noqa: S603
    click.echo(f"\nThe record of both jobs lies in {home_folder()}.")
    if any(result.status for result in results) or [result.found for result in results] != [found for _, found in RUNS]:
        raise click.ClickException(f"the demo did not come to what it must: {results}")


def _start_up(scenario: str, seed: int, time_scale: float) -> _Result:
    """Let a technician do one start-up with a check in a process of its own."""
    prepared = prepare(load_procedure(PROCEDURE))
    assert prepared.tied is not None  # noqa: S101 - the start-up check has a circuit
    circuit = prepared.tied.circuit
    faults = faults_of(circuit, scenario, SCENARIOS[scenario])
    job = SimulatedJob(prepared.procedure, SCENARIOS[scenario], seed, circuit=circuit, faults=faults, repairs=True)
    checks: list[subprocess.Popen[str]] = []

    def answer(given: Answer) -> None:
        stdin = checks[0].stdin
        assert stdin is not None  # noqa: S101 - a pipe
        stdin.write(f"{given.value}\n")
        stdin.flush()

    with PtyPort(job, answer, time_scale) as port:
        meter = f"serial:{port.name}?format=fs9721-lcd14&time-scale={time_scale:g}"
        arguments = ["check", PROCEDURE, "--meter", meter, "--sheet", SHEET, "--json", "--accept-cautions"]
        with subprocess.Popen(  # noqa: S603 - our own command
            [sys.executable, "-m", "meterlink", *arguments], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        ) as check:
            checks.append(check)
            assert check.stdout is not None  # noqa: S101 - a pipe
            end: dict[str, object] = {}
            found: str | None = None
            for line in check.stdout:
                event = json.loads(line)
                if event["event"] == "cue":
                    click.echo(f"  {event['text']}")
                elif event["event"] == "finding":
                    found = event["answer"] or found
                elif event["event"] == "end":
                    end = event
                port.hear(event)
    if not end:
        raise click.ClickException("the check ended without a result; see the message above")
    return _Result(str(end["job"]), check.returncode, found)
