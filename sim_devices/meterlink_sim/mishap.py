"""What can be wrong beyond the circuit's own faults: with wiring, locks, a bank under load, leads, and what is seen.

Each is named `KIND:PLACE`, as the faults of a circuit are.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from enum import StrEnum

from meterlink.circuit.coverage import not_passing
from meterlink.circuit.fault import Fault, Kin
from meterlink.circuit.parts import Circuit, Kind
from meterlink.circuit.tied import Tied, tie
from meterlink.instrument import Instrument
from meterlink.procedure.model import BridgeStep, DeadStep, IntervalStep, LookStep, OperateStep, Procedure, WatchStep

TIRED_OHMS = 0.4
"""What a worn-out block has inside: it takes 10 V off at a motor's 24 A (common practice, no source)."""


class Trouble(StrEnum):
    """The kinds of mishap."""

    AMISS = "amiss"
    """At a look or a jumper's place: it is not as the step asks. It is seen, said, and put right."""
    SWAPPED = "swapped"
    """A contact is wired on its other pin: open where it should be closed."""
    LATE = "late"
    """At an interval: what ends it comes half a minute late."""
    FLICKER = "flicker"
    """A core or plug opens for a second while the lift travels, and at no other time."""
    TIRED = "tired"
    """A block of the bank that reads well at rest gives way under load."""
    LEAD = "lead"
    """At a proof of dead: a test lead breaks between the first proof of the meter and the second."""
    LIVE = "live"
    """At a proof of dead: the supply is still on."""

    @property
    def of_a_part(self) -> bool:
        """Whether it is a part of the circuit that it happens to, and not a step."""
        return self in (Trouble.SWAPPED, Trouble.FLICKER, Trouble.TIRED)


@dataclass(frozen=True, slots=True)
class Mishap:
    """One thing that is wrong."""

    trouble: Trouble
    at: str
    """The step, or the part of the circuit."""

    @property
    def name(self) -> str:
        """As commands and JSON write it."""
        return f"{self.trouble}:{self.at}"


def parse_mishap(procedure: Procedure, circuit: Circuit | None, text: str) -> Mishap | None:
    """Read a mishap's name; None where it is none, and may be a fault of the circuit.

    Args:
        procedure: the steps at which it may happen.
        circuit: the parts to which it may happen; None for a procedure without.
        text: such as `late:lower-relocks`.

    Raises:
        ValueError: the kind is known, and the place is not.
    """
    kind, _, at = text.partition(":")
    if kind not in list(Trouble):
        return None
    trouble = Trouble(kind)
    parts = list(circuit.by_id) if circuit else []
    known = parts if trouble.of_a_part else [step.id for step in procedure.steps]
    if at not in known:
        what = "part" if trouble.of_a_part else "step"
        raise ValueError(f"{text!r}: no {what} {at!r}; known are {', '.join(known) or 'none'}")
    return Mishap(trouble, at)


def plausible(tied: Tied, instrument: Instrument) -> Iterator[tuple[Mishap, frozenset[str]]]:
    """Every mishap that a procedure should catch, with the steps of which one should.

    Args:
        tied: the procedure with its circuit.
        instrument: the meter whose uncertainty counts.
    """
    for step in tied.procedure.steps:
        if isinstance(step, LookStep | BridgeStep):
            yield Mishap(Trouble.AMISS, step.id), frozenset([step.id])
        elif isinstance(step, IntervalStep):
            yield Mishap(Trouble.LATE, step.id), frozenset([step.id])
        elif isinstance(step, DeadStep):
            yield Mishap(Trouble.LEAD, step.id), frozenset([step.id])
            yield Mishap(Trouble.LIVE, step.id), frozenset([step.id])
    for part in tied.circuit.parts:
        for mishap, steps in _of_part(tied, instrument, part.id):
            if steps:
                yield mishap, steps


def _of_part(tied: Tied, instrument: Instrument, part: str) -> Iterator[tuple[Mishap, frozenset[str]]]:
    kind = tied.circuit.by_id[part].kind
    if part in _worked(tied):
        wired_wrongly = tie(tied.procedure, swapped(tied.circuit, part))
        yield Mishap(Trouble.SWAPPED, part), not_passing(wired_wrongly, instrument)
    if kind in (Kind.CABLE, Kind.CONNECTOR):
        watches = {step.id for step in tied.procedure.steps if isinstance(step, WatchStep)}
        yield Mishap(Trouble.FLICKER, part), not_passing(tied, instrument, (Fault(Kin.OPEN, part),)) & watches
    if kind is Kind.BATTERY:
        yield Mishap(Trouble.TIRED, part), not_passing(tied, instrument, (tired(part),))


def _worked(tied: Tied) -> set[str]:
    """The contacts that the procedure works by hand."""
    situations = tied.circuit.situations
    return {
        part
        for step in tied.procedure.steps
        if isinstance(step, OperateStep) and step.worked is not None
        for part in situations[step.worked].operated ^ situations[tied.situation(step)].operated
    }


def swapped(circuit: Circuit, part: str) -> Circuit:
    """The circuit with a contact wired on its other pin."""
    wrong = replace(circuit.by_id[part], conducts=not circuit.by_id[part].conducts)
    parts = tuple(wrong if each.id == part else each for each in circuit.parts)
    return replace(circuit, parts=parts, by_id={each.id: each for each in parts})


def tired(battery: str) -> Fault:
    """What a worn-out block is to the circuit."""
    return Fault(Kin.HIGH, battery, TIRED_OHMS)
