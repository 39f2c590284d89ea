"""`steadypoint dry-run`: procedures on the simulated lift, clean and with each fault that they should catch."""

import json
import os
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import cache

import click

from meterlink.instrument import Instrument
from meterlink.instruments.shelf import cautious_sheet, load_sheet
from meterlink.prepared import Prepared, prepare
from meterlink.procedure.load import load_procedure, shipped
from meterlink.reading import Instant
from meterlink_sim.rehearsal import Plan, Planted, Rehearsal, plan, read_fault, rehearse
from meterlink_sim.rehearsal_table import table

SHEET = "six-thousand-counts"
"""The class of the simulated meter."""


@click.command("dry-run", short_help="Run procedures on the simulated lift, clean and with each fault planted.")
@click.argument("procedures", nargs=-1, metavar="[PROCEDURE]...")
@click.option("--fault", "faults", multiple=True, help="Only this fault, such as open:B1; none for the clean run.")
@click.option("--heard", is_flag=True, help="Also print what the technician hears, cue by cue.")
@click.option("--seed", type=int, default=0, show_default=True, help="Which lift, meter and technician.")
@click.option("--sheet", default=SHEET, show_default=True, help="The accuracy sheet that is judged by.")
@click.option("--processes", type=click.IntRange(1), help="How many run at a time.  [default: one a processor]")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object a run, a line each.")
def command(
    *,
    procedures: tuple[str, ...],
    faults: tuple[str, ...],
    heard: bool,
    seed: int,
    sheet: str,
    processes: int | None,
    as_json: bool,
) -> None:
    """Run each PROCEDURE on the simulated lift without hands and without waiting: clean, then with each fault planted.

    PROCEDURE is a file or a shipped procedure; all shipped ones where none is named. The faults are those that the
    procedure should catch: single faults of its circuit, and mishaps such as a late lock. The exit status is 1 where
    one was missed, or a clean run did not pass.
    """
    names = procedures or tuple(shipped())
    plans = {name: _plan_of(name, sheet, faults) for name in names}
    tasks = [_Task(name, sheet, seed, planted) for name, each in plans.items() for planted in each.runs]
    runs: dict[str, list[Rehearsal]] = {name: [] for name in names}
    good = True
    for task, run in zip(tasks, _run_all(tasks, processes or os.cpu_count() or 1), strict=True):
        good = good and run.result.good
        if as_json:
            line = {**run.as_json(), "heard": run.heard} if heard else run.as_json()
            click.echo(json.dumps(line, ensure_ascii=False))
            continue
        if heard:
            _echo([f"{run.procedure}, {run.planted.name}:", *(f"  {text}" for text in run.heard), ""])
        done = runs[task.procedure]
        done.append(run)
        if len(done) == len(plans[task.procedure].runs):
            _echo([*table(_prepared(task.procedure).procedure, done, plans[task.procedure].left_out), ""])
    if not good:
        raise SystemExit(1)


@dataclass(frozen=True, slots=True)
class _Task:
    """One run, for any process."""

    procedure: str
    sheet: str
    seed: int
    planted: Planted


def _run_all(tasks: Sequence[_Task], processes: int) -> Iterator[Rehearsal]:
    """Run all, in order, in several processes where there are enough runs for them."""
    if processes == 1 or len(tasks) <= processes:
        yield from map(_run, tasks)
        return
    with ProcessPoolExecutor(processes) as pool:
        yield from pool.map(_run, tasks, chunksize=4)


def _run(task: _Task) -> Rehearsal:
    return rehearse(_prepared(task.procedure), _instrument(task.sheet), task.planted, task.seed)


def _plan_of(name: str, sheet: str, faults: Sequence[str]) -> Plan:
    """The runs of a procedure; only those asked for, where some are."""
    whole = plan(_prepared(name), _instrument(sheet))
    if not faults:
        return whole
    for fault in faults:
        read_fault(_prepared(name), fault)
    known = {each.name: each for each in whole.runs}
    return Plan(tuple(known.get(fault, Planted(fault)) for fault in faults), {})


@cache
def _prepared(name: str) -> Prepared:
    return prepare(load_procedure(name))


@cache
def _instrument(sheet: str) -> Instrument:
    return Instrument(load_sheet(sheet), Instant(0, 0), fallback=cautious_sheet())


def _echo(lines: Sequence[str]) -> None:
    for line in lines:
        click.echo(line)
