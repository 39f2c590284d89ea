"""Simulated start-ups, run through the engine and held against the simulation's own truth.

As a program it runs the full figures, with two simpler rules beside Steadypoint's on the same traces:

    python tests/startups.py 2000
"""

import random
import sys
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from statistics import median

import click

from meterlink.engine import Engine
from meterlink.outcome import End, Outcome, Touch, Verdict, VerdictOutcome
from meterlink.procedure.load import load_procedure
from meterlink.procedure.model import MeasuredStep, Procedure
from meterlink.reading import NS_PER_S, Reading, State
from meterlink_sim.circuit import ELEMENTS
from meterlink_sim.lift import SimulatedJob, TrueTouch
from meterlink_sim.scenario import SCENARIOS, find_scenario

RATES = (2.0, 3.0, 4.0, 5.0)
FAULTS = (*(name for name in SCENARIOS if name != "healthy"), *(f"open:{element}" for element in ELEMENTS))
LONGEST_S = 3600.0
LINGER_S = 1.5
"""How much later the technician acts on an announcement in the full figures, so that slower rules get their chance."""


@dataclass(slots=True)
class Tally:
    """What many start-ups came to."""

    jobs: int = 0
    finished: int = 0
    verdicts: int = 0
    wrong: list[str] = field(default_factory=list)
    """Verdicts against the truth, or taken from a touch of another point."""
    updates_waited: list[float] = field(default_factory=list)
    """From the moment the front end had settled to the verdict, in display updates; confirmed dead points left out."""
    touches: Counter[str] = field(default_factory=Counter)


@dataclass(slots=True)
class Run:
    """One simulated start-up, with all that the display showed."""

    job: SimulatedJob
    rate: float
    readings: list[Reading]
    verdicts: list[Verdict]
    touches: list[Touch]
    end: End | None


def run_job(procedure: Procedure, scenario: str, seed: int, rate: float, linger_s: float = 0.0) -> Run:
    """Let a simulated technician do one start-up; the engine's announcements are heard that much after they fall."""
    engine = Engine(procedure)
    run = Run(SimulatedJob(procedure, find_scenario(scenario), seed, rate=rate), rate, [], [], [], None)
    outcomes = engine.start(run.job.instant(0))
    unheard: list[tuple[float, Outcome]] = []
    while True:
        for outcome in outcomes:
            unheard.append((run.job.now + linger_s, outcome))
            if isinstance(outcome, Verdict):
                run.verdicts.append(outcome)
            elif isinstance(outcome, Touch):
                run.touches.append(outcome)
            elif isinstance(outcome, End):
                run.end = outcome
        if engine.ended or run.job.now > LONGEST_S:
            return run
        while unheard and unheard[0][0] <= run.job.due:
            due, outcome = unheard.pop(0)
            run.job.hear(outcome.as_json(), due)
        outcomes = []
        for item in run.job.advance():
            if isinstance(item, Reading):
                run.readings.append(item)
            outcomes += engine.feed(item)


def check(run: Run, procedure: Procedure, name: str, tally: Tally) -> None:
    """Hold every verdict against the truth."""
    steps = {step.id: step for step in procedure.steps}
    tally.jobs += 1
    tally.finished += run.end is not None
    tally.touches.update(touch.outcome.value for touch in run.touches)
    for verdict in run.verdicts:
        step, truth = steps[verdict.step], run.job.truth.steps[verdict.step]
        tally.verdicts += 1
        if not isinstance(step, MeasuredStep):
            continue
        at = verdict.at.monotonic_ns / NS_PER_S
        touch = touched_at(run.job.truth.touches, at)
        if touch is None or touch.point != step.point:
            tally.wrong.append(f"{name}: {step.id} judged at {at:.2f} s from a touch of {touch and touch.point}")
        elif truth.must_pass is not None and (verdict.outcome is VerdictOutcome.PASS) != truth.must_pass:
            tally.wrong.append(f"{name}: {step.id} {verdict.outcome.value} at {verdict.measured}, truly {truth.value}")
        elif not verdict.confirmed and touch.settled_at is not None:
            tally.updates_waited.append((at - touch.settled_at) * run.rate)


def touched_at(touches: Sequence[TrueTouch], at: float) -> TrueTouch | None:
    """Return the contact in force at a moment, in seconds, or the one that an update still averages in."""
    before = [touch for touch in touches if touch.start <= at]
    return before[-1] if before and (before[-1].end is None or before[-1].end >= at - 0.5) else None


Rule = Callable[[Sequence[Reading]], Reading | None]


def three_equal(readings: Sequence[Reading]) -> Reading | None:
    """A simpler rule: three equal readings in a row, whatever they are but open leads."""
    last = readings[-3:]
    same = len(last) == 3 and len({(reading.display, reading.scale) for reading in last}) == 1
    return last[-1] if same and last[-1].state is not State.BLANK else None


def two_seconds(readings: Sequence[Reading]) -> Reading | None:
    """Another: the reading two seconds after the display left what open leads show."""
    return readings[-1] if readings[-1].at.monotonic_ns - readings[0].at.monotonic_ns >= 2 * NS_PER_S else None


def judge_simply(run: Run, procedure: Procedure, rule: Rule) -> Iterator[tuple[bool, float | None]]:
    """Apply a simpler rule to the same trace, touch by touch of the display.

    It is told where each touch of the display begins and ends (a value other than near 0 V or OL), and which step the
    technician meant; it only has to say when the value stands.

    Yields:
        Whether the verdict was wrong, and the updates waited since the front end had settled (None: it had not).
    """
    steps = {step.id: step for step in procedure.steps}
    for group in _live_spells(run.readings):
        found = next((hit for end in range(1, len(group) + 1) if (hit := rule(group[:end]))), None)
        at = found.at.monotonic_ns / NS_PER_S if found else 0.0
        touch = touched_at(run.job.truth.touches, at) if found else None
        if found is None or touch is None:
            continue
        step = steps[touch.step]
        assert isinstance(step, MeasuredStep)
        limits = getattr(step, "limits", None)
        if limits is None or run.job.truth.steps[step.id].must_pass is None or found.function not in step.measure:
            continue
        wrong = limits.accept(found.value) != run.job.truth.steps[step.id].must_pass or touch.point != step.point
        yield wrong, None if touch.settled_at is None else (at - touch.settled_at) * run.rate


def _live_spells(readings: Sequence[Reading]) -> Iterator[list[Reading]]:
    spell: list[Reading] = []
    for reading in readings:
        ohms = reading.function.open_leads_read_overload
        idle = reading.state is State.OVERLOAD if ohms else reading.value is not None and abs(reading.value) < 1
        if not idle:
            spell.append(reading)
        elif spell:
            yield spell
            spell = []
    if spell:
        yield spell


def main(count: int) -> int:
    """Run the full figures; return the exit status."""
    procedure = load_procedure("start-up").procedure
    tally = Tally()
    rules: dict[str, tuple[Rule, list[bool], list[float]]] = {
        "three equal readings": (three_equal, [], []),
        "wait two seconds": (two_seconds, [], []),
    }
    for seed in range(count):
        chosen = random.Random(seed)
        scenario = chosen.choice(FAULTS) if seed % 2 else "healthy"
        run = run_job(procedure, scenario, seed, chosen.choice(RATES), LINGER_S)
        check(run, procedure, f"seed {seed} {scenario}", tally)
        for rule, wrong, waited in rules.values():
            for is_wrong, updates in judge_simply(run, procedure, rule):
                wrong.append(is_wrong)
                waited.extend([] if updates is None else [updates])
    click.echo(f"{tally.jobs} start-ups, {tally.finished} came to their end, {tally.verdicts} verdicts")
    click.echo(f"touches: {dict(tally.touches.most_common())}")
    click.echo(f"{'rule':<22} {'judged':>7} {'wrong':>6} {'median updates from settled to verdict':>40}")
    click.echo(f"{'Steadypoint':<22} {tally.verdicts:>7} {len(tally.wrong):>6} {median(tally.updates_waited):>40.2f}")
    for name, (_, wrong, waited) in rules.items():
        click.echo(f"{name:<22} {len(wrong):>7} {sum(wrong):>6} {median(waited):>40.2f}")
    for line in tally.wrong[:20]:
        click.echo(line)
    return 1 if tally.wrong or median(tally.updates_waited) > 3 or tally.finished < tally.jobs else 0


if __name__ == "__main__":
    sys.exit(main(int(sys.argv[1]) if len(sys.argv) > 1 else 2000))
