"""Simulated start-ups, run through the engine and held against the simulation's own truth.

As a program it runs the full figures, with two simpler rules beside Steadypoint's on the same traces:

    python tests/startups.py 2000
"""

import random
import sys
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from statistics import median, quantiles

import click

from known_meter import engine_for
from meterlink.outcome import End, Outcome, Touch, Verdict, VerdictOutcome
from meterlink.procedure.load import load_procedure
from meterlink.procedure.model import MeasuredStep, Procedure, ReadingStep
from meterlink.reading import NS_PER_S, Instant, Reading, State
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
    engine = engine_for(procedure)
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
    """Another: what stands two seconds after the display left what open leads show."""
    last = readings[-1]
    over = last.at.monotonic_ns - readings[0].at.monotonic_ns >= 2 * NS_PER_S
    return last if over and last.state is not State.BLANK else None


@dataclass(slots=True)
class Row:
    """What one rule came to, over the same touches as every other."""

    offered: int = 0
    judged: int = 0
    """Of those offered."""
    wrong: int = 0
    """Verdicts against the truth, or taken from a contact with another point; in touches that are not offered too."""
    updates_waited: list[float] = field(default_factory=list)
    """Of those judged."""

    def enter(self, at: Instant, run: Run, *, offered: bool) -> None:
        """Count a verdict of that moment in a touch."""
        touch = touched_at(run.job.truth.touches, at.monotonic_ns / NS_PER_S)
        self.judged += offered
        if offered and touch is not None and touch.settled_at is not None:
            self.updates_waited.append((at.monotonic_ns / NS_PER_S - touch.settled_at) * run.rate)

    def __str__(self) -> str:
        waited = f"{median(self.updates_waited):>10.2f} {quantiles(self.updates_waited, n=20)[-1]:>10.2f}"
        return f"{self.offered:>8} {self.judged:>8} {self.offered - self.judged:>8} {self.wrong:>8} {waited}"


def compare(run: Run, procedure: Procedure, rows: Mapping[str, Row]) -> None:
    """Judge the same touches by each rule; `rows` has one for `STEADYPOINT` and one for each of `RULES`.

    A touch is what the display shows as one: a run of updates in the right function that are not those of open leads
    (near 0 V, OL in ohms), so that every rule is spared what only a confirmation can judge. Only the touches meant for
    a `reading` step count, until Steadypoint has judged that step without one. It is offered if the display comes to
    its final value in it while the probes are on the step's own point.

    The simpler rules have it easier: they are told where a touch begins and which step it is meant for, and have only
    to say when its value stands. Steadypoint has to find out, and its verdicts count as wrong wherever they fall. The
    technician holds the probes until Steadypoint's verdict and `LINGER_S` more, so that a slower rule gets its chance.
    """
    steps = {step.id: step for step in procedure.steps if isinstance(step, ReadingStep)}
    verdicts = {verdict.step: verdict for verdict in reversed(run.verdicts) if not verdict.confirmed}
    for verdict in run.verdicts:
        if verdict.step in steps and not verdict.confirmed:
            passed = verdict.outcome is VerdictOutcome.PASS
            rows[STEADYPOINT].wrong += _is_wrong(steps[verdict.step], verdict.at, run, passed=passed)
    for spell in _live_spells(run.readings):
        meant = _meant(run, spell)
        step = steps.get(meant[0].step) if meant else None
        judged = verdicts.get(step.id) if step is not None else None
        if step is None or judged is None or spell[0].at > judged.at or spell[0].function not in step.measure:
            continue
        offered = any(touch.point == step.point and touch.settled_at is not None for touch in meant)
        for row in rows.values():
            row.offered += offered
        if judged.at <= spell[-1].at:
            rows[STEADYPOINT].enter(judged.at, run, offered=offered)
        for name, rule in RULES.items():
            hit = next((hit for end in range(1, len(spell) + 1) if (hit := rule(spell[:end]))), None)
            if hit is not None:
                rows[name].enter(hit.at, run, offered=offered)
                rows[name].wrong += _is_wrong(step, hit.at, run, passed=step.limits.accept(hit.value))


def _is_wrong(step: ReadingStep, at: Instant, run: Run, *, passed: bool) -> bool:
    touch = touched_at(run.job.truth.touches, at.monotonic_ns / NS_PER_S)
    return touch is None or touch.point != step.point or passed != run.job.truth.steps[step.id].must_pass


STEADYPOINT = "Steadypoint"
RULES: Mapping[str, Rule] = {"three equal readings": three_equal, "wait two seconds": two_seconds}


def _meant(run: Run, spell: Sequence[Reading]) -> list[TrueTouch]:
    """The contacts that a touch of the display is made of; the first update may average in what was before."""
    first, last = (reading.at.monotonic_ns / NS_PER_S for reading in (spell[0], spell[-1]))
    return [
        touch
        for touch in run.job.truth.touches
        if touch.start <= last and (touch.end is None or touch.end > first - 1 / run.rate)
    ]


def _live_spells(readings: Sequence[Reading]) -> Iterator[list[Reading]]:
    spell: list[Reading] = []
    for reading in readings:
        ohms = reading.function.open_leads_read_overload
        idle = reading.state is State.OVERLOAD if ohms else reading.value is not None and abs(reading.value) < 1
        if idle and spell:
            yield spell
            spell = []
        elif not idle and (spell or reading.state is not State.BLANK):  # a blank begins nothing
            spell.append(reading)
    if spell:
        yield spell


def main(count: int) -> int:
    """Run the full figures; return the exit status."""
    procedure = load_procedure("start-up").procedure
    tally = Tally()
    rows = {name: Row() for name in (STEADYPOINT, *RULES)}
    for seed in range(count):
        chosen = random.Random(seed)
        scenario = chosen.choice(FAULTS) if seed % 2 else "healthy"
        run = run_job(procedure, scenario, seed, chosen.choice(RATES), LINGER_S)
        check(run, procedure, f"seed {seed} {scenario}", tally)
        compare(run, procedure, rows)
    click.echo(f"{tally.jobs} start-ups, {tally.finished} came to their end, {tally.verdicts} verdicts in all")
    click.echo(f"{len(tally.wrong)} wrong; median {median(tally.updates_waited):.2f} updates from settled to verdict")
    click.echo(f"touches in all: {dict(tally.touches.most_common())}")
    click.echo("\nTouches meant for a reading step that need no confirmation; updates from settled to verdict:")
    click.echo(f"{'rule':<22} {'offered':>8} {'judged':>8} {'missed':>8} {'wrong':>8} {'median':>10} {'95 %':>10}")
    for name, row in rows.items():
        click.echo(f"{name:<22} {row}")
    for line in tally.wrong[:20]:
        click.echo(line)
    return 1 if tally.wrong or median(tally.updates_waited) > 3 or tally.finished < tally.jobs else 0


if __name__ == "__main__":
    sys.exit(main(int(sys.argv[1]) if len(sys.argv) > 1 else 2000))
