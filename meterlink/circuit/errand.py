"""A search by itself as a procedure: look for the fault first, then prove that every load gets its voltage. Pure."""

import json
from collections.abc import Iterator

from meterlink.circuit.parts import REST, Circuit
from meterlink.circuit.solve import Bench, RestlessError, working_loads
from meterlink.errors import UsageError

_WORKS_SHARE = 0.8
"""Of its usual voltage a load still works from (relay data sheets: 70 to 80 % of the rated)."""

CAUTIONS = (
    "Only trained and authorised people work on lifts.",
    "Local codes, the installation's own instructions and licensed practice come first; this search replaces none.",
    "Isolate the supply and prove it dead before you measure ohms or repair. Never measure ohms on a live circuit.",
    "Nobody goes under the platform before it is mechanically secured against coming down.",
    "Use probes rated for the place (CAT marking), with finger guards and at most 4 mm of bare tip.",
    "Never bridge a safety contact to run the platform. Enter every jumper that you find.",
    "A fault found is a record of readings, not a permit to use the lift.",
)


def errand(circuit: Circuit, name: str, situation: str = REST, symptom: str | None = None) -> str:
    """Write the procedure of a search, as the text of its file.

    Args:
        circuit: the circuit.
        name: how the procedure names it.
        situation: where it looks.
        symptom: what the lift does; None where nothing is said.

    Raises:
        UsageError: nothing is fed in the situation, or its relays do not come to rest.
    """
    return "\n".join(_lines(circuit, name, situation, symptom)) + "\n"


def _lines(circuit: Circuit, name: str, situation: str, symptom: str | None) -> Iterator[str]:
    yield f"procedure: {_quoted(f'find-{circuit.name}'[:64])}"
    yield f"title: {_quoted(f'Fault-finding: {circuit.title}')}"
    yield f"revision: {_quoted(circuit.revision[:20])}"
    yield f"circuit: {_quoted(name)}"
    yield f"situation: {_quoted(situation)}"
    if symptom is not None:
        yield f"symptom: {_quoted(symptom)}"
    yield "begin_with: find"
    yield "cautions:"
    yield from (f"  - {_quoted(caution)}" for caution in (*circuit.cautions, *CAUTIONS))
    yield "steps:"
    for index, (point, least, most) in enumerate(_fed_points(circuit, situation), 1):
        yield f"  - id: fed-{index}"
        yield "    kind: reading"
        yield f"    point: {_quoted(point)}"
        yield f"    reference: {_quoted(circuit.reference)}"
        yield "    measure: dc-voltage"
        yield f"    limits: {least:.1f}..{most:.1f} V"
        yield "    source: What the load works from, to what the highest source gives (the circuit file)"
        yield "    on_fail: find"


def _fed_points(circuit: Circuit, situation: str) -> list[tuple[str, float, float]]:
    """The points that show that every load which should work gets its voltage, with what it works from, and the most.

    Where none should, or none is fed by a point that can be probed, the sources' own poles.
    """
    bench = Bench(circuit)
    try:
        state = bench.state((), situation)
    except RestlessError as error:
        raise UsageError(str(error)) from error
    readings = bench.readings(state)
    works = working_loads(bench, state)
    most = 1.05 * max(part.volts.high for part in circuit.parts if part.volts)
    points: dict[str, float] = {}
    for part in circuit.parts:
        live = max(part.nodes, key=lambda node: abs(readings[node] or 0.0))
        if works.get(part.id) and circuit.points[live].probe and (readings[live] or 0.0) > 0:
            least = part.pull.operates if part.pull else _WORKS_SHARE * (readings[live] or 0.0)
            points[live] = max(least, points.get(live, 0.0))
    for part in circuit.parts:
        if not points and part.kind.supplies and (readings[part.head] or 0.0) > 0:
            points[part.head] = _WORKS_SHARE * (readings[part.head] or 0.0)
    if not points:
        raise UsageError(
            f"nothing is fed in the situation {situation} of {circuit.name}: there is no voltage to look for"
        )
    return [(point, least, most) for point, least in points.items()]


def _quoted(text: str) -> str:
    """A text that YAML reads back as it is: JSON's quotes are YAML's."""
    return json.dumps(text, ensure_ascii=False)
