"""What is lost on the way from one point of a chain to another, at one visit. Pure."""

from collections.abc import Iterator, Sequence
from dataclasses import replace
from decimal import Decimal
from math import sqrt

from meterlink.circuit.parts import REST
from meterlink.history.figure import Figure, Key, What
from meterlink.history.taken import Taken, scatter, split
from meterlink.judging.difference import difference
from meterlink.outcome import VerdictOutcome
from meterlink.procedure.model import AgreeStep, Procedure, ReadingStep, partner_of
from meterlink.reading import Function


def drop_key(one: Key, other: Key) -> Key:
    """What makes the loss from one point to another comparable."""
    return replace(other, what=What.DROP, points=(*one.points, *other.points), kind="", nth=0)


def drops(procedure: Procedure, taken: Sequence[Taken]) -> Iterator[Figure]:
    """Volts lost from each point of a chain to the next, and to each that is held against an earlier one."""
    by_id = {each.step.id: each for each in taken}
    pairs: dict[tuple[str, str], None] = {}
    last: dict[tuple[str, str], str] = {}
    for step in procedure.steps:
        if not isinstance(step, ReadingStep | AgreeStep) or Function.DC_VOLTAGE not in step.measure:
            continue
        chain = (step.reference, step.situation or procedure.situation or REST)
        if chain in last:
            pairs[last[chain], step.id] = None
        last[chain] = step.id
        if (partner := partner_of(step, procedure.steps)) is not None:
            pairs[partner.id, step.id] = None
    for before, behind in pairs:
        one, other = by_id.get(before), by_id.get(behind)
        if one is not None and other is not None and _comparable(one, other):
            yield _drop(one, other, taken)


def _comparable(one: Taken, other: Taken) -> bool:
    """Whether both read volts of one chain; a point that is dead says nothing of what is lost on the way there."""
    keys = one.figure.key, other.figure.key
    dead = any(each.judged.last["confirmed"] and each.judged.outcome is VerdictOutcome.FAIL for each in (one, other))
    return (
        all(key.function == Function.DC_VOLTAGE for key in keys)
        and (keys[0].reference, keys[0].situation) == (keys[1].reference, keys[1].situation)
        and one.value is not None
        and other.value is not None
        and not dead
    )


def _drop(one: Taken, other: Taken, taken: Sequence[Taken]) -> Figure:
    behind = other.figure
    assert one.value is not None  # noqa: S101 - see `_comparable`
    assert other.value is not None  # noqa: S101
    lost = one.value - other.value
    own, shared = None, 0.0
    if one.budget and other.budget:
        own, shared = split(difference(other.budget, one.budget))
        own = sqrt(own**2 + scatter(one.judged.last) ** 2 + scatter(other.judged.last) ** 2)
    room, first = _room(one, other, taken)
    return replace(
        behind,
        key=drop_key(one.figure.key, behind.key),
        value=lost,
        own=own,
        shared=shared,
        verdict=None,
        limits=None if first is None else f"{first.step.point}: {first.figure.limits}",
        written=None,
        low=None,
        high=None if room is None else lost + room,
        margin=room,
        looked_at=True,
    )


def _room(one: Taken, other: Taken, taken: Sequence[Taken]) -> tuple[Decimal | None, Taken | None]:
    """By how much the loss may grow until a step fails, and which step that is: every point behind it sinks alike."""
    chain = [
        each
        for each in taken
        if (each.figure.key.reference, each.figure.key.situation, each.figure.key.function)
        == (other.figure.key.reference, other.figure.key.situation, other.figure.key.function)
    ]
    behind = chain[chain.index(other) :]
    rooms = [
        (each.value - each.limits.low, each)
        for each in behind
        if each.value is not None
        and each.limits is not None
        and each.limits.low is not None
        and not (isinstance(each.step, AgreeStep) and each.step.with_ in {other.step.id for other in behind})
    ]
    return min(rooms, key=lambda pair: pair[0], default=(None, None))
