"""Where to look on when the readings of one situation tell no more apart. Pure."""

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations

from meterlink.circuit.dictionary import Dictionary, Measure, Prediction, Question
from meterlink.circuit.evidence import AIR_VOLTS
from meterlink.circuit.look import Interval, apart
from meterlink.circuit.search import Finding, Search

_MOST_NAMES = 4
_LEAST_SHARE = 0.01
"""So many of what is left are told apart, and only what is likelier than that."""


@dataclass(frozen=True, slots=True)
class Elsewhere:
    """A reading in another situation."""

    situation: str
    title: str
    question: Question
    minutes: float
    """What it takes to bring the situation about and to reach the point."""
    tells: tuple[str, str]
    """The two faults that it tells apart, the likelier first."""


def elsewhere(search: Search, finding: Finding) -> Elsewhere | None:
    """The least costly reading in another situation that tells the likeliest of what is left apart; None for none."""
    left = [each.name for each in finding.faults if each.probability >= _LEAST_SHARE][:_MOST_NAMES]
    for one, other in combinations(left, 2):
        found = min(_telling(search, one, other), key=lambda each: each.minutes, default=None)
        if found is not None:
            return found
    return None


def _telling(search: Search, one: str, other: str) -> Iterator[Elsewhere]:
    here = search.dictionary
    by_name = {each.name: each.faults for each in reversed(here.suspects)}
    for situation in here.circuit.situations.values():
        if situation.name == here.situation:
            continue
        there = Dictionary(here.bench, situation.name, here.meter_ohms)
        for question in here.questions:
            if question.measure is not Measure.VOLTAGE or question.reference is not None:
                continue
            pair = (there.predicted(by_name[name], question) for name in (one, other))
            if apart(*map(_interval, pair)):
                minutes = situation.minutes + there.minutes(question)
                yield Elsewhere(situation.name, situation.title or situation.name, question, minutes, (one, other))


def _interval(prediction: Prediction) -> Interval:
    if prediction.value is None:
        return -AIR_VOLTS, AIR_VOLTS
    reach = prediction.spread + abs(prediction.slope) + abs(prediction.bend) + AIR_VOLTS
    return prediction.value - reach, prediction.value + reach
