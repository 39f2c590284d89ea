"""What is known of a circuit, as marks of its picture: from a solution, a search, or the steps judged. Pure."""

from collections.abc import Mapping

from meterlink.circuit.dictionary import Measure
from meterlink.circuit.evidence import AIR_VOLTS
from meterlink.circuit.parts import Circuit
from meterlink.circuit.picture.marks import Mark, Marks
from meterlink.circuit.search import Finding, Search
from meterlink.circuit.seen import measured_of
from meterlink.circuit.solve import RestlessError, State
from meterlink.circuit.tied import Tied
from meterlink.outcome import Verdict
from meterlink.procedure.model import MeasuredStep, Step

_LIVE_SHARE = 0.15
"""From this share of the highest source on a point is drawn live: below it, a relay must have let go (data sheets)."""

_WORTH_SHOWING = 0.01


def solved_marks(circuit: Circuit, state: State, values: Mapping[str, float | None]) -> Marks:
    """Mark what a solution says: every node live, dead or floating, with its volts."""
    nodes = {node: _mark(circuit, value) for node, value in values.items() if node != circuit.reference}
    texts = {node: f"{value:z.2f} V" for node, value in values.items() if value is not None and node in nodes}
    return Marks(nodes=nodes, values=texts, open_parts=_open_parts(circuit, state))


def search_marks(search: Search, finding: Finding) -> Marks:
    """Mark what a search knows: what was touched, what is suspected, where to probe."""
    circuit, dictionary = search.circuit, search.dictionary
    nodes, texts = {}, {}
    for seen in search.touches:
        question = seen.question
        if question.reference is None and question.measure is Measure.VOLTAGE and question.point != circuit.reference:
            nodes[question.point] = _mark(circuit, seen.value)
            texts[question.point] = str(measured_of(seen))
    suspects: dict[str, float] = {}
    for each in finding.faults:
        for fault in each.name.split(" + "):
            place = fault.partition(":")[2]
            if place in circuit.by_id:
                suspects[place] = suspects.get(place, 0.0) + each.probability
    found = finding.answer.partition(":")[2] if finding.answer else None
    sound = dictionary.state(())
    return Marks(
        nodes=nodes,
        values=texts,
        suspects={place: min(share, 1.0) for place, share in suspects.items() if share >= _WORTH_SHOWING},
        probe=finding.next.question.point if finding.next else None,
        open_parts=_open_parts(circuit, sound) if sound else None,
        found=found if found in circuit.by_id else None,
    )


def step_marks(tied: Tied, verdicts: Mapping[str, Verdict], waiting: Step) -> Marks:
    """Mark what the steps have read in the situation of the one that is waited for, and where that asks to probe."""
    circuit, situation = tied.circuit, tied.situation(waiting)
    nodes, texts = {}, {}
    for step in tied.procedure.steps:
        question, given = tied.question(step), verdicts.get(step.id)
        measured = given.measured if given else None
        if question is None or measured is None or measured.value is None or measured.unit != "V":
            continue
        if question.reference is None and tied.situation(step) == situation:
            nodes[question.point] = _mark(circuit, float(measured.value))
            texts[question.point] = str(measured)
    try:
        opened = _open_parts(circuit, tied.bench.state((), situation))
    except RestlessError:
        opened = None
    probe = waiting.point if isinstance(waiting, MeasuredStep) else None
    return Marks(nodes=nodes, values=texts, probe=probe, open_parts=opened)


def _mark(circuit: Circuit, value: float | None) -> Mark:
    if value is None:
        return Mark.FLOATING
    highest = max((part.volts.nominal for part in circuit.parts if part.volts), default=0.0)
    if abs(value) >= max(_LIVE_SHARE * highest, AIR_VOLTS):
        return Mark.LIVE
    return Mark.DEAD


def _open_parts(circuit: Circuit, state: State) -> frozenset[str]:
    return frozenset(
        part.id
        for part, branch in zip(circuit.parts, state.branches, strict=False)
        if branch.siemens == 0 and branch.diode is None
    )
