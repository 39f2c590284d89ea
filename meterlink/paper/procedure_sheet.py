"""What the paper version of a procedure says, as data for its template. Pure."""

import hashlib
import re
from collections.abc import Iterator
from dataclasses import asdict

from meterlink.circuit.marked import solved_marks
from meterlink.circuit.parts import REST
from meterlink.circuit.picture.marks import Marks
from meterlink.circuit.picture.svg import svg
from meterlink.circuit.solve import RestlessError
from meterlink.circuit.tied import Tied
from meterlink.judging.rules import Decision
from meterlink.paper.by_hand import judged_by
from meterlink.paper.letters import plain_text, shortened
from meterlink.paper.step_row import Rows
from meterlink.prepared import Prepared
from meterlink.procedure.model import MeasuredStep, Procedure

PERMIT = "A record of readings, not a permit to use the lift."

_PREFIX = 12
"""Hexadecimal digits of the text's SHA-256: 48 bits tell any versions apart that a firm will ever have."""

_LONG = 500
"""Letters of a step that may run over a page's end; a shorter one stays whole."""

_RUNNING = 80
"""Letters of the title at the head of each page."""

_VISIT = (
    "Date and time",
    "Installation tag",
    "Technician",
    "Meter, serial number",
    "Calibrated on, certificate",
    "Calibration valid to",
)


def procedure_sheet(prepared: Prepared) -> dict[str, object]:
    """Work out what is printed of a procedure."""
    procedure = prepared.procedure
    revision = f"revision {plain_text(procedure.revision)}"
    digest = _digest(prepared.source)
    numbers: dict[str, int] = {}

    def source(text: str) -> int:
        return numbers.setdefault(text, len(numbers) + 1)

    def situation(name: str) -> str:
        return _situation(prepared.tied, name)

    rows = [*map(Rows(procedure, source, situation).row, procedure.steps)]
    return {
        "title": plain_text(procedure.title),
        "running": shortened(plain_text(procedure.title), _RUNNING),
        "identity": f"Procedure {procedure.procedure}, {revision}, SHA-256 of its text {digest}…",
        "keywords": [procedure.procedure, revision, digest],
        "permit": PERMIT,
        "cautions": [*map(plain_text, procedure.cautions)],
        "visit": _VISIT,
        "references": [
            {"name": plain_text(each.name), "where": plain_text(each.where)} for each in procedure.references
        ],
        "judging": _judging(procedure, prepared.tied),
        "steps": [{**asdict(row), "long": row.letters > _LONG} for row in rows],
        "sources": list(numbers),
        "picture": _picture(prepared.tied, prepared.circuit_source or "") if prepared.tied else None,
    }


def _digest(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()[:_PREFIX]


def _judging(procedure: Procedure, tied: Tied | None) -> list[str]:
    """What holds for all steps."""
    said = [
        *dict.fromkeys(map(judged_by, _decisions(procedure))),
        "Lift both probes between two points. A dead reading may be a probe that missed: touch again.",
    ]
    if procedure.calibration == "required":
        said.append("Only with a meter whose calibration is valid today.")
    if procedure.situation is not None:
        said.append(f"The lift is in the state: {_situation(tied, procedure.situation)}.")
    if procedure.begin_with == "find":
        said.append("Look for the fault first; the steps prove the circuit after the repair.")
    symptom = tied.circuit.symptoms.get(procedure.symptom or "") if tied else None
    if symptom is not None:
        said.append(f"What the lift does: {symptom.title or symptom.name}.")
    return [*map(plain_text, said)]


def _decisions(procedure: Procedure) -> Iterator[Decision]:
    """The decision rules there are, that of the procedure first."""
    yield procedure.judging.decision if procedure.judging else Decision()
    for step in procedure.steps:
        if isinstance(step, MeasuredStep):
            yield procedure.decision(step)


def _situation(tied: Tied | None, name: str) -> str:
    found = tied.circuit.situations.get(name) if tied else None
    return found.title if found and found.title else name


def _picture(tied: Tied, source: str) -> dict[str, object]:
    """The circuit as a line diagram, with what a sound one reads; bare where its relays do not come to rest."""
    circuit, situation = tied.circuit, tied.procedure.situation or REST
    caption = f"Circuit {circuit.name}, revision {circuit.revision} (SHA-256 of its text {_digest(source)}…)."
    try:
        state = tied.bench.state((), situation)
        marks = solved_marks(circuit, state, tied.bench.readings(state))
    except RestlessError:
        marks = Marks()
    else:
        caption += (
            f" Volts to {circuit.reference} of a sound circuit in the situation {situation}: worked out from the "
            "circuit file, not measured."
        )
    drawn = svg(circuit, marks, title="", on_paper=True)
    return {
        "heading": "The circuit",
        "caption": plain_text(caption),
        "svg": drawn,
        "width": _width(drawn),
        "words": f"Line diagram of {plain_text(circuit.title)}",
    }


def _width(drawn: str) -> float:
    """A drawing's own width, in its units."""
    found = re.search(r'viewBox="0 0 ([\d.]+) ', drawn)
    assert found  # noqa: S101 - our own drawing has one
    return float(found[1])
