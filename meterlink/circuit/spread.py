"""How far the reading at each point of a sound circuit may lie from the nominal one.

Worst case: a node's voltage is monotone in each single value, so its extremes lie at ends of spans. Which end of each
is told by moving one value at a time, at the nominal ones and once more at the extreme that came out. Sampling: every
value drawn evenly from its span, and the middle 95 % of what comes out.
"""

import random
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from meterlink.circuit.fault import Faults
from meterlink.circuit.parts import REST
from meterlink.circuit.solve import METER_OHMS, Bench, RestlessError, Values, chosen

SAMPLES = 400
_SEED = 1
_COVERED = 0.95


@dataclass(frozen=True, slots=True)
class Spread:
    """What a point reads, to the reference or to another point, in V; all None where it floats."""

    value: float | None
    """Nominal."""
    low: float | None
    """Worst case."""
    high: float | None
    likely_low: float | None = None
    """Of the middle 95 % of samples."""
    likely_high: float | None = None


@dataclass(frozen=True, slots=True)
class Wanted:
    """A pair of points to be read."""

    point: str
    reference: str | None = None


def spreads(
    bench: Bench,
    wanted: Sequence[Wanted],
    *,
    faults: Faults = (),
    situation: str = REST,
    meter_ohms: float = METER_OHMS,
    samples: int = SAMPLES,
) -> Mapping[Wanted, Spread]:
    """Work out what points read, nominal and at the extremes.

    Args:
        bench: the circuit.
        wanted: which points.
        faults: what is wrong; nothing unless told.
        situation: the name of the circuit's situation.
        meter_ohms: the meter's input resistance.
        samples: how many circuits are drawn for the likely span; 0: none.

    Raises:
        RestlessError: the relays do not come to rest at the nominal values.
    """
    reader = _Reader(bench, wanted, faults, situation, meter_ohms)
    middle = reader.at(bench.nominal)
    first_lows, first_highs = reader.signs(bench.nominal)
    found = {}
    drawn = [reader.sampled(random.Random(f"{_SEED} {number}")) for number in range(samples)]  # noqa: S311 - repeatable
    for index, each in enumerate(wanted):
        value = middle[index]
        if value is None:
            found[each] = Spread(None, None, None)
            continue
        low = reader.extreme(index, first_lows[index], low=True)
        high = reader.extreme(index, first_highs[index], low=False)
        values = sorted(sample[index] or 0.0 for sample in drawn if sample[index] is not None)
        cut = int(len(values) * (1 - _COVERED) / 2)
        likely = (values[cut], values[-1 - cut]) if values else (None, None)
        found[each] = Spread(value, min(low, value, *values), max(high, value, *values), *likely)
    return found


@dataclass(frozen=True, slots=True)
class _Reader:
    bench: Bench
    wanted: Sequence[Wanted]
    faults: Faults
    situation: str
    meter_ohms: float

    def at(self, values: Values) -> list[float | None]:
        """Every wanted reading with these values."""
        state = self.bench.state(self.faults, self.situation, values)
        return [self.bench.reading(state, each.point, each.reference, self.meter_ohms) for each in self.wanted]

    def sampled(self, rng: random.Random) -> list[float | None]:
        """Every wanted reading with values drawn evenly from their spans."""
        values = chosen(self.bench.circuit, lambda _, span: rng.uniform(span.low, span.high))
        try:
            return self.at(values)
        except RestlessError:
            return [None] * len(self.wanted)

    def signs(self, around: Values) -> tuple[list[Values], list[Values]]:
        """For each reading, the values that lower it the most, and that raise it the most, moved one at a time."""
        parts = self.bench.circuit.parts
        wanted = range(len(self.wanted))
        lows = [(list(around.ohms), list(around.volts)) for _ in wanted]
        highs = [(list(around.ohms), list(around.volts)) for _ in wanted]
        for place, part in enumerate(parts):
            for which, span in ((0, part.ohms), (1, part.volts)):
                if span is None or span.low == span.high:
                    continue
                down, up = (self.at(_with(around, which, place, end)) for end in (span.low, span.high))
                for index in wanted:
                    rises = (up[index] or 0.0) > (down[index] or 0.0)
                    lows[index][which][place] = span.low if rises else span.high
                    highs[index][which][place] = span.high if rises else span.low
        return (
            [Values(tuple(ohms), tuple(volts)) for ohms, volts in lows],
            [Values(tuple(ohms), tuple(volts)) for ohms, volts in highs],
        )

    def extreme(self, index: int, values: Values, *, low: bool) -> float:
        """One reading at an extreme, looked for once more from there."""
        single = _Reader(self.bench, [self.wanted[index]], self.faults, self.situation, self.meter_ohms)
        found = single.at(values)[0] or 0.0
        lows, highs = single.signs(values)
        again = single.at(lows[0] if low else highs[0])[0] or 0.0
        return min(found, again) if low else max(found, again)


def _with(values: Values, which: int, place: int, value: float) -> Values:
    ohms, volts = list(values.ohms), list(values.volts)
    (ohms, volts)[which][place] = value
    return Values(tuple(ohms), tuple(volts))
