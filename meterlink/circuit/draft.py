"""A first draft of a procedure for a circuit: a step for each test point, with limits that the circuit gives. Pure."""

import json
import re
from collections.abc import Iterator

from meterlink.circuit.parts import REST, Circuit
from meterlink.circuit.solve import Bench, RestlessError
from meterlink.errors import UsageError

_LIVE = 1.0
"""Volts from which a point counts as fed; a search begins where it is not."""


def draft(template: str, circuit: Circuit, written: str) -> str:
    """Write the text of a procedure that reads every test point at rest, in the order of the circuit file.

    Points that cannot be probed, and those that nothing drives at rest, are left out with a comment that says so.

    Args:
        template: the text of a commented procedure, its parts divided by empty lines. Its comments and cautions are
            kept; what rests on another circuit is replaced.
        circuit: the circuit.
        written: how the procedure names its circuit.

    Raises:
        UsageError: the circuit's relays do not come to rest, or there is nothing to read.
    """
    parts = [_of_circuit(part, circuit, written) for part in template.rstrip("\n").split("\n\n")]
    parts[_index(parts, "judging")] = _JUDGING
    del parts[_index(parts, "uncaught")]
    return (
        "\n\n".join(
            (*parts[: _index(parts, "references")], _REFERENCES.format(_quoted(circuit.reference)), *_steps(circuit))
        )
        + "\n"
    )


_JUDGING = """\
# How a reading near a limit is judged. Computed limits are the very ends of what a sound circuit reads, so only what
# lies outside them for certain, the meter's uncertainty counted in, is a fault. For limits of your own, guarded is
# stricter.
judging: {rule: guarded-rejection}"""

_REFERENCES = """\
# Where the black lead goes: say where that is, and how to make contact there.
references:
  - name: {}
    where: The circuit's reference. Clip the black lead to bare metal."""

_STEPS = """\
# One step for each test point, in the order of the circuit file, the lift at rest. Go through them: put them in the
# order in which you reach them, add what is to be seen first and what is to be proved under way, and take out what you
# do not need. `steadypoint lint` says which faults no step catches.
steps:"""


def _index(parts: list[str], key: str) -> int:
    return next(index for index, part in enumerate(parts) if re.search(f"^{key}:", part, re.MULTILINE))


def _of_circuit(part: str, circuit: Circuit, written: str) -> str:
    part = re.sub(r"^title: .*$", lambda _: f"title: {_quoted(circuit.title)}", part, flags=re.MULTILINE)
    return re.sub(r"^circuit: .*$", lambda _: f"circuit: {_quoted(written)}", part, flags=re.MULTILINE)


def _steps(circuit: Circuit) -> Iterator[str]:
    bench = Bench(circuit)
    try:
        readings = bench.readings(bench.state((), REST))
    except RestlessError as error:
        raise UsageError(str(error)) from error
    read: list[str] = []
    left_out: list[str] = []
    for node in circuit.nodes:
        if node == circuit.reference:
            continue
        if not circuit.points[node].probe:
            left_out.append(f"  # {node} is left out: the circuit file says that it cannot be probed.")
        elif readings[node] is None:
            left_out.append(f"  # {node} is left out: nothing drives it at rest, so nothing can be expected there.")
        else:
            read.append("\n".join(_step(circuit, node, readings[node] or 0.0, len(read) + 1)))
    if not read:
        raise UsageError(f"the circuit {circuit.name} has no point at which anything can be expected at rest")
    yield f"{_STEPS}\n{read[0]}"
    yield from read[1:]
    if left_out:
        yield "\n".join(left_out)


def _step(circuit: Circuit, node: str, volts: float, number: int) -> Iterator[str]:
    reach = circuit.points[node].reach
    if reach is not None:
        yield f"  # To reach it: {' '.join(reach.split())}"
    yield f"  - id: point-{number}"
    yield "    kind: reading"
    yield f"    point: {_quoted(node)}"
    yield f"    reference: {_quoted(circuit.reference)}"
    yield "    measure: dc-voltage"
    yield "    expect: computed"
    yield f"    source: {_quoted(_source(circuit))}"
    yield f"    on_fail: {'find' if abs(volts) >= _LIVE else 'continue'}"


def _source(circuit: Circuit) -> str:
    return f"Worked out from the circuit {circuit.name}, revision {circuit.revision}, worst case of its parts"


def _quoted(text: str) -> str:
    """A text that YAML reads back as it is: JSON's quotes are YAML's."""
    return json.dumps(text, ensure_ascii=False)
