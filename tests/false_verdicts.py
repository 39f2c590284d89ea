"""How often a verdict near a limit is wrong, rule by rule, and whether a stated probability keeps its word.

As a program it runs the full figures:

    python tests/false_verdicts.py 100000

A true value lies anywhere within four standard uncertainties of a limit, as likely here as there. A meter shows it: off
by up to its limit of error, by what the temperature adds and what the circuit's source resistance takes, each anywhere
between its bounds, and rounded to the display's last digit. The product judges what is shown by each rule. What must
hold:

- guarded: at most 2.28 % of the readings pass though the value lies outside, and as few fail though it lies inside: a
  normal error is beyond its double standard deviation as often (JCGM 106:2012, 8.3; ILAC-G8:09/2019, table 1). It must
  also hold of the readings next to the border alone, where the risk is largest;
- guarded rejection: as much of those that fail though the value lies inside;
- simple: as many are wrong as the stated probabilities predict, within four standard deviations;
- of the readings with one stated probability that share lies inside, since no true value was likelier than another.
"""

import sys
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from itertools import pairwise
from math import sqrt

import click
import numpy as np
import numpy.typing as npt

from judging_samples import TEN_MOHM, meter, row, sheet, shown
from meterlink.instrument import Range
from meterlink.judging.budget import Shown
from meterlink.judging.judge import Judge, Judgement
from meterlink.judging.rules import Decision, Rule, zones
from meterlink.limits import parse_limits
from meterlink.outcome import VerdictOutcome
from meterlink.reading import Function

Floats = npt.NDArray[np.float64]

COUNT = 100_000
SEED = 106
PROMISED = 0.0228
"""The share of a normal distribution beyond twice its standard deviation, on one side."""
NEXT_TO_THE_BORDER = Decimal("0.25")
"""In standard uncertainties."""
REACH = 4
"""How far true values lie from a limit, in standard uncertainties."""
GROUPS = (0.0, 0.001, 0.01, 0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95, 0.99, 0.999, 1.0)


@dataclass(frozen=True, slots=True)
class Scenario:
    """A meter in a place, and limits."""

    name: str
    range: Range
    limits: str
    celsius: str | None = None
    source_ohms: str | None = None
    function: Function = Function.DC_VOLTAGE

    def judge(self, rule: Rule) -> Judge:
        """The judge of such a step."""
        known = meter(sheet(self.range, function=self.function), celsius=self.celsius)
        source = None if self.source_ohms is None else Decimal(self.source_ohms)
        return Judge(parse_limits(self.limits), Decision(rule), known, source_ohms=source)

    def bounds(self, true: Floats) -> list[Floats]:
        """The largest of each error but rounding, worked out anew from what the sheet states."""
        stated = float(self.range.reading) * np.abs(true) + float(self.range.counts * self.range.resolution)
        climate, bounds = self.range.climate, [stated]
        if self.celsius is not None:
            outside = max(float(climate.low) - float(self.celsius), float(self.celsius) - float(climate.high), 0.0)
            bounds.append(outside * float(climate.accuracy_per_kelvin) * stated)
        if self.source_ohms is not None and self.range.impedance is not None:
            bounds.append(np.abs(true) * float(self.source_ohms) / float(self.range.impedance))
        return bounds


_HAND_HELD = row("60", "0.01", "0.5", "2", impedance=TEN_MOHM)
SCENARIOS = (
    Scenario("24 V supply", _HAND_HELD, "22.0..29.0 V"),
    Scenario("24 V supply, a range too high", row("600", "0.1", "0.5", "2"), "22.0..29.0 V"),
    Scenario("24 V supply, in the cold", _HAND_HELD, "22.0..29.0 V", celsius="5"),
    Scenario("24 V behind 50 kOhm, in the heat", _HAND_HELD, "22.0..29.0 V", celsius="36", source_ohms="50000"),
    Scenario("a display of few digits", row("600", "1", "0.05", "0.5"), "180..260 V"),
    Scenario("a loop of contacts", row("600", "0.1", "0.8", "3"), "<= 2 Ohm", function=Function.RESISTANCE),
)
"""6000 counts, ±(0.5 % + 2) and their like: what sheets of hand-held meters state (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Seen:
    """One value that a display showed, how often, and how often the true value was inside the limits."""

    value: Decimal
    times: int
    inside: int
    judgements: Mapping[Rule, Judgement]
    at_border: frozenset[Rule]
    """The rules by which it lies next to a border."""

    @property
    def probability(self) -> float:
        """That the true value lies inside, as stated; it is the same by every rule."""
        (stated,) = {judgement.assessment.probability for judgement in self.judgements.values()}
        assert stated is not None
        return stated


@dataclass(slots=True)
class Row:
    """What one rule came to."""

    rule: Rule
    readings: int = 0
    outcomes: dict[VerdictOutcome, int] = field(default_factory=lambda: dict.fromkeys(VerdictOutcome, 0))
    false_accepts: int = 0
    false_rejects: int = 0
    predicted_accepts: float = 0.0
    """False ones, as the stated probabilities have it."""
    predicted_rejects: float = 0.0
    variance: float = 0.0
    """Of either number, by the stated probabilities."""
    accepts_at_border: list[int] = field(default_factory=lambda: [0, 0])
    """Of those that pass next to the border: how many, and how many falsely."""
    rejects_at_border: list[int] = field(default_factory=lambda: [0, 0])

    def enter(self, seen: Seen) -> None:
        """Count the readings that showed one value."""
        judgement = seen.judgements[self.rule]
        outside = seen.times - seen.inside
        self.readings += seen.times
        self.outcomes[judgement.outcome] += seen.times
        if judgement.outcome is VerdictOutcome.UNCLEAR:
            return
        passed = judgement.outcome is VerdictOutcome.PASS
        self.false_accepts += outside if passed else 0
        self.false_rejects += 0 if passed else seen.inside
        self.predicted_accepts += seen.times * (1 - seen.probability) if passed else 0
        self.predicted_rejects += 0 if passed else seen.times * seen.probability
        self.variance += seen.times * seen.probability * (1 - seen.probability)
        if self.rule in seen.at_border:
            at_border = self.accepts_at_border if passed else self.rejects_at_border
            at_border[0] += seen.times
            at_border[1] += outside if passed else seen.inside

    @property
    def broken(self) -> list[str]:
        """What is promised of this rule and does not hold."""
        found = []
        if self.rule is Rule.SIMPLE:
            allowed = 4 * sqrt(self.variance)
            for wrong, predicted, what in (
                (self.false_accepts, self.predicted_accepts, "accepts"),
                (self.false_rejects, self.predicted_rejects, "rejects"),
            ):
                if abs(wrong - predicted) > allowed:
                    found.append(f"{wrong} false {what}, predicted {predicted:.1f} ± {allowed:.1f}")
            return found
        if self.rule is Rule.GUARDED:
            found.extend(self._above("accepts", self.false_accepts, self.accepts_at_border))
        found.extend(self._above("rejects", self.false_rejects, self.rejects_at_border))
        return found

    def _above(self, what: str, wrong: int, at_border: Sequence[int]) -> Iterator[str]:
        if wrong > PROMISED * self.readings:
            yield f"{self.rule.value}: {wrong} false {what} of {self.readings}, more than {PROMISED:.2%}"
        count, of_them = at_border
        if of_them > PROMISED * count + 4 * sqrt(PROMISED * count):
            yield f"{self.rule.value}: {of_them} false {what} of {count} next to the border, more than {PROMISED:.2%}"

    def __str__(self) -> str:
        shares = " ".join(f"{self.outcomes[each] / self.readings:>8.2%}" for each in VerdictOutcome)
        wrong = f"{self.false_accepts:>8} {self.false_accepts / self.readings:>7.3%} {self.predicted_accepts:>9.1f}"
        wrong += f" {self.false_rejects:>8} {self.false_rejects / self.readings:>7.3%} {self.predicted_rejects:>9.1f}"
        border = " ".join(f"{_percent(each):>8}" for each in (self.accepts_at_border, self.rejects_at_border))
        return f"{self.rule.value:<18} {self.readings:>7} {shares} {wrong} {border}"


@dataclass(slots=True)
class Group:
    """Readings whose stated probabilities lie between two bounds, the upper one included."""

    low: float
    high: float
    readings: int = 0
    inside: int = 0
    stated: float = 0.0
    """The sum of the stated probabilities."""
    variance: float = 0.0

    @property
    def keeps(self) -> bool:
        """Whether the share that lies inside is the stated one, within four standard deviations."""
        return abs(self.inside - self.stated) <= 4 * sqrt(self.variance) + 1e-6 * self.readings

    def __str__(self) -> str:
        off = (self.inside - self.stated) / sqrt(self.variance) if self.variance else 0.0
        shares = f"{self.stated / self.readings:>8.3%} {self.inside / self.readings:>8.3%}"
        return f"{self.low:>7.1%} to {self.high:>6.1%} {self.readings:>9} {shares} {off:>6.1f}"


@dataclass(slots=True)
class Figures:
    """All that many readings came to."""

    rows: list[Row] = field(default_factory=lambda: [Row(rule) for rule in Rule])
    groups: list[Group] = field(default_factory=lambda: [Group(*ends) for ends in pairwise(GROUPS)])

    def enter(self, seen: Seen) -> None:
        """Count the readings that showed one value."""
        for each in self.rows:
            each.enter(seen)
        group = next(each for each in self.groups if seen.probability <= each.high)
        group.readings += seen.times
        group.inside += seen.inside
        group.stated += seen.times * seen.probability
        group.variance += seen.times * seen.probability * (1 - seen.probability)

    @property
    def broken(self) -> list[str]:
        """Every promise that does not hold."""
        words = [line for each in self.rows for line in each.broken]
        return words + [f"probability {each}" for each in self.groups if not each.keeps]


def simulate(scenario: Scenario, count: int, generator: np.random.Generator) -> Iterator[Seen]:
    """Let a meter show that many true values near each limit, and have every value shown judged by every rule."""
    judges = {rule: scenario.judge(rule) for rule in Rule}
    limits = judges[Rule.SIMPLE].limits
    step = scenario.range.resolution
    for limit in (limits.low, limits.high):
        if limit is None:
            continue
        at_limit = judges[Rule.SIMPLE].judge_shown(shown(limit, step, function=scenario.function))
        expanded = at_limit.assessment.expanded_uncertainty
        assert expanded is not None
        reach = REACH * float(expanded) / 2
        true = generator.uniform(float(limit) - reach, float(limit) + reach, count)
        errors = sum(generator.uniform(-bound, bound) for bound in scenario.bounds(true))
        counts = np.rint((true + errors) / float(step)).astype(int)
        good = true >= float(limit) if limit == limits.low else true <= float(limit)
        values, places, times = np.unique(counts, return_inverse=True, return_counts=True)
        held = np.bincount(places, weights=good).astype(int)
        for value, often, inside in zip(values.tolist(), times.tolist(), held.tolist(), strict=True):
            seen = shown(value * step, step, function=scenario.function)
            judgements = {rule: each.judge_shown(seen) for rule, each in judges.items()}
            at_border = frozenset(rule for rule in judges if _at_border(judges[rule], judgements[rule], seen))
            yield Seen(seen.value, often, inside, judgements, at_border)


def measure(count: int) -> Figures:
    """Spread that many readings over the scenarios and their limits."""
    generator = np.random.default_rng(SEED)
    sides = sum(len(_ends(scenario)) for scenario in SCENARIOS)
    figures = Figures()
    for scenario in SCENARIOS:
        for seen in simulate(scenario, count // sides, generator):
            figures.enter(seen)
    return figures


def table(figures: Figures) -> list[str]:
    """Write all of it down."""
    outcomes = " ".join(f"{each.value:>8}" for each in VerdictOutcome)
    accepts, rejects = (f"{what:>8} {'share':>7} {'predicted':>9}" for what in ("accepts", "rejects"))
    lines = [
        f"false accepts and rejects of readings within {REACH} u of a limit; at the border: within a quarter of u",
        f"{'rule':<18} {'near':>7} {outcomes} {accepts} {rejects} {'at bord.':>8} {'at bord.':>8}",
        *map(str, figures.rows),
        "",
        "stated probability, and the share truly inside; the difference in standard deviations",
        f"{'stated':>17} {'readings':>9} {'mean':>8} {'inside':>8} {'off':>6}",
    ]
    return lines + [str(each) for each in figures.groups if each.readings]


def _ends(scenario: Scenario) -> list[Decimal]:
    limits = parse_limits(scenario.limits)
    return [end for end in (limits.low, limits.high) if end is not None]


def _at_border(judged: Judge, judgement: Judgement, seen: Shown) -> bool:
    """Whether a value lies so near the place where the verdict changes that the risk is at its largest."""
    expanded = judgement.assessment.expanded_uncertainty
    assert expanded is not None
    distance = zones(judged.limits, judged.decision, expanded).distance(seen.value)
    return distance is not None and distance <= NEXT_TO_THE_BORDER * expanded / judgement.assessment.coverage_factor


def _percent(at_border: Sequence[int]) -> str:
    count, wrong = at_border
    return f"{wrong / count:.2%}" if count else "none"


def main(count: int) -> int:
    """Run the full figures; return the exit status."""
    figures = measure(count)
    for line in table(figures):
        click.echo(line)
    for line in figures.broken:
        click.echo(f"broken: {line}")
    return 1 if figures.broken else 0


if __name__ == "__main__":
    sys.exit(main(int(sys.argv[1]) if len(sys.argv) > 1 else COUNT))
