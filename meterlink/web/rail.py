"""The rail for a page: stops from the supply down, each with its state as a word that the page gives a shape. Pure."""

from collections.abc import Mapping

from meterlink.circuit.parts import Circuit
from meterlink.circuit.picture.chains import skeleton
from meterlink.circuit.picture.marks import Marks, accusation
from meterlink.engine import Engine
from meterlink.outcome import Json, Verdict
from meterlink.procedure.model import Step

NOT_YET = "not yet"
"""The state of a step without a verdict."""


def rail(engine: Engine, marks: Marks | None) -> list[Json]:
    """The steps in their order; while a fault is looked for, the circuit's main chain with what is suspected.

    Args:
        engine: the check.
        marks: what is known of its circuit; None where it has none.
    """
    if engine.hunt is not None and marks is not None:
        return _chain(engine.hunt.search.circuit, marks)
    return [
        _stop(step, engine.verdicts, here=not engine.ended and step.id == engine.step.id)
        for step in engine.procedure.steps
    ]


def _stop(step: Step, verdicts: Mapping[str, Verdict], *, here: bool) -> Json:
    given = verdicts.get(step.id)
    value = str(given.measured) if given and given.measured else ""
    state = given.outcome.value if given else NOT_YET
    return {"tag": step.point, "state": state, "word": state if given else "", "value": value, "here": here}


def _chain(circuit: Circuit, marks: Marks) -> list[Json]:
    stops: list[Json] = []
    for part, node in skeleton(circuit).chains[0].rungs:
        held = accusation(marks, part) if part is not None else ()
        if part is not None and held:
            gap = "found" if part.id == marks.found else "suspect"
            stops.append({"tag": part.id, "state": gap, "word": held[0], "value": "", "here": False})
        state, here = marks.of(node).value, node == marks.probe
        value = marks.values.get(node, "")
        stops.append({"tag": node, "state": state, "word": state, "value": value, "here": here})
    return stops
