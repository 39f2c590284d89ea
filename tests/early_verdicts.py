"""How often an early verdict is wrong, and how long it takes, by the distance of the value from a limit.

A touch is simulated: the display hovers about a value at a known distance from a limit, with noise, after an optional
run-in of the meter's filter. The right verdict is the one that the mean of 400 further updates gives, shown with the
display's own resolution. A verdict is wrong where it is clear and not the right one; too close to call is never wrong.
As a program it runs the full figures, beside two simpler rules on the same touches:

    python tests/early_verdicts.py 2000

A second table is of values that run out more slowly than a meter's filter, through the limit and on to a failing value
a few counts beyond: how many pass on the way.

Noise and filter are those of hand-held meters (common practice, no source); limits and rates are invented.
"""

import random
import sys
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from math import exp
from statistics import fmean, median

import click

from meterlink.judging.judge import Judge
from meterlink.judging.rules import Decision
from meterlink.limits import parse_limits
from meterlink.outcome import VerdictOutcome
from meterlink.reading import NS_PER_S, Function, Instant, Reading
from meterlink.settle import Borders, newest, settle

SLOWEST_S = (0.4, 1.0, 3.0, 10.0)
LIMIT = 22.0
COUNT = 0.01
DISTANCES = (0.0, 0.25, 0.75, 1.0, 2.0, 3.0, 5.0, 10.0, 30.0, 100.0)
"""In counts, from the limit to the value. Below one the display itself cannot tell the sides apart."""
NOISES = (0.0, 0.3, 1.0, 3.0, 6.0)
"""Standard deviation of the display, in counts."""
RATES = (2.0, 4.0, 10.0)
UPDATES = 60
"""After which a touch that has no verdict is given up."""
STEADYPOINT = "Steadypoint"


def promised(distance: float) -> float:
    """The share of wrong verdicts that is not to be passed at a distance, in counts."""
    return 0.1 if distance < 1 else 0.03 if distance < 2 else 0.01 if distance < 10 else 0.0


JUDGE = Judge(parse_limits("22.0..29.0 V"), Decision(), None)
BORDERS: Borders = JUDGE.zones


@dataclass(slots=True)
class Row:
    """What one rule came to at one distance."""

    touches: int = 0
    judged: int = 0
    wrong: int = 0
    updates: list[int] = field(default_factory=list)

    @property
    def wrong_share(self) -> float:
        """Of the touches."""
        return self.wrong / self.touches


def touch(chance: random.Random, distance: float) -> tuple[list[Reading], VerdictOutcome]:
    """Simulate one touch; return its updates and the right verdict."""
    value = LIMIT + chance.choice((-1, 1)) * distance * COUNT
    noise, rate = chance.choice(NOISES) * COUNT, chance.choice(RATES)
    run_in, tau = chance.choice((0.0, -0.3, -3.0)), chance.uniform(0.05, 0.4)
    readings = _display(
        rate,
        [
            value + run_in * exp(-(update + chance.random()) / rate / tau) + chance.gauss(0, noise)
            for update in range(UPDATES)
        ],
    )
    later = Decimal(f"{fmean(round(value + chance.gauss(0, noise), 2) for _ in range(400)):.2f}")
    return readings, BORDERS(readings[-1:]).outcome(later)


def slow_touch(chance: random.Random, distance: float, tau: float) -> list[Reading]:
    """Simulate a touch whose value falls towards one that many counts below the limit, with a time constant in s."""
    noise, rate, start = chance.choice(NOISES[:3]) * COUNT, chance.choice(RATES), chance.uniform(0.3, 1.0)
    value = LIMIT - distance * COUNT
    return _display(
        rate, [value + start * exp(-update / rate / tau) + chance.gauss(0, noise) for update in range(5 * UPDATES)]
    )


def _display(rate: float, values: Sequence[float]) -> list[Reading]:
    return [
        Reading(f"{value:.2f}", "V", Function.DC_VOLTAGE, Instant(round(update / rate * NS_PER_S), 0))
        for update, value in enumerate(values)
    ]


def steadypoint(readings: Sequence[Reading]) -> VerdictOutcome | None:
    """The rule of `meterlink.settle`, and the verdict that is recorded by it."""
    found = settle(newest(readings), BORDERS)
    return JUDGE.judge(found[0].window).outcome if found else None


def three_equal(readings: Sequence[Reading]) -> VerdictOutcome | None:
    """A simpler rule: three equal readings in a row."""
    same = len(readings) >= 3 and len({reading.display for reading in readings[-3:]}) == 1
    return _by_last(readings) if same else None


def two_seconds(readings: Sequence[Reading]) -> VerdictOutcome | None:
    """Another: what stands two seconds after the touch began."""
    over = readings[-1].at.monotonic_ns - readings[0].at.monotonic_ns >= 2 * NS_PER_S
    return _by_last(readings) if over else None


def _by_last(readings: Sequence[Reading]) -> VerdictOutcome:
    value = readings[-1].value
    assert value is not None
    return BORDERS(readings[-1:]).outcome(value)


Rule = Callable[[Sequence[Reading]], VerdictOutcome | None]
RULES: Mapping[str, Rule] = {STEADYPOINT: steadypoint, "three equal": three_equal, "two seconds": two_seconds}


def measure(count: int, distance: float, rules: Mapping[str, Rule], seed: int = 0) -> dict[str, Row]:
    """Judge so many touches at one distance from the limit, by each rule."""
    chance = random.Random(f"{seed} {distance}")
    rows = {name: Row() for name in rules}
    for _ in range(count):
        readings, right = touch(chance, distance)
        for name, rule in rules.items():
            row = rows[name]
            row.touches += 1
            for updates in range(1, len(readings) + 1):
                outcome = rule(readings[:updates])
                if outcome is not None:
                    row.judged += 1
                    row.updates.append(updates)
                    row.wrong += outcome is not right and outcome is not VerdictOutcome.UNCLEAR
                    break
    return rows


def measure_slow(count: int, distance: float, tau: float) -> float:
    """The share of slow touches that pass on their way to a failing value."""
    chance = random.Random(f"{distance} {tau}")
    passed = 0
    for _ in range(count):
        readings = slow_touch(chance, distance, tau)
        given = (steadypoint(readings[:updates]) for updates in range(1, len(readings) + 1))
        passed += next((outcome for outcome in given if outcome is not None), None) is VerdictOutcome.PASS
    return passed / count


def main(count: int) -> int:
    """Print the table; return the exit status."""
    click.echo(f"{count} touches at each distance from a limit; wrong verdicts, and updates to the verdict (median)")
    heads = "".join(f"{name:>26}" for name in RULES)
    click.echo(f"{'counts':>8}{heads}")
    broken = False
    for distance in DISTANCES:
        rows = measure(count, distance, RULES)
        cells = [
            f"{100 * row.wrong_share:.2f} % {median(row.updates) if row.updates else 0:.0f} ({row.judged})"
            for row in rows.values()
        ]
        broken = broken or rows[STEADYPOINT].wrong_share > promised(distance)
        click.echo(f"{distance:>8}" + "".join(f"{cell:>26}" for cell in cells))
    click.echo(
        "\nvalues that fall through the limit and rest so many counts below: passes on the way, by time constant"
    )
    click.echo(f"{'counts':>8}" + "".join(f"{f'{tau:g} s':>10}" for tau in SLOWEST_S))
    for distance in (5.0, 20.0, 50.0):
        shares = [measure_slow(count // 10, distance, tau) for tau in SLOWEST_S]
        click.echo(f"{distance:>8}" + "".join(f"{share:>10.1%}" for share in shares))
    return 1 if broken else 0


if __name__ == "__main__":
    sys.exit(main(int(sys.argv[1]) if len(sys.argv) > 1 else 2000))
