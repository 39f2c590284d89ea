"""The rail for a page: stops from the supply down, each with its state as a word that the page gives a shape. Pure."""

from meterlink.circuit.parts import Circuit
from meterlink.circuit.picture.chains import skeleton
from meterlink.circuit.picture.marks import Marks, accusation
from meterlink.engine import Engine
from meterlink.outcome import Json
from meterlink.procedure.model import Step

NOT_YET = "not yet"
"""The state of a step without a verdict."""

ANSWERED = "answered"
"""The state of a question that decides what follows."""


def rail(engine: Engine, marks: Marks | None) -> list[Json]:
    """The steps in their order; while a fault is looked for, the circuit's main chain with what is suspected.

    Args:
        engine: the check.
        marks: what is known of its circuit; None where it has none.
    """
    if engine.hunt is not None and marks is not None:
        return _chain(engine.hunt.search.circuit, marks)
    return [_stop(engine, step) for step in engine.procedure.steps]


def _stop(engine: Engine, step: Step) -> Json:
    given, answer = engine.verdicts.get(step.id), engine.course.answers.get(step.id)
    state, word, value = NOT_YET, "", ""
    if given is not None:
        state = word = given.outcome.value
        value = str(given.measured) if given.measured else ""
    elif answer is not None:
        state, word = ANSWERED, "yes" if answer else "no"
    here = not engine.ended and step.id == engine.step.id
    return {"tag": step.point, "state": state, "word": word, "value": value, "here": here}


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
