"""What is to be said of a procedure once its circuit is at hand: what does not fit, what it would not catch. Pure."""

from collections.abc import Iterator

from meterlink.circuit.coverage import Coverage, Gap, coverage
from meterlink.circuit.parts import Circuit
from meterlink.circuit.solve import RestlessError
from meterlink.circuit.tied import TiedError, computed_limits, tie, with_limits
from meterlink.instrument import Instrument
from meterlink.procedure.lint import Finding
from meterlink.procedure.model import IntervalStep, MeasuredStep, OperateStep, Procedure
from meterlink.procedure.problem import Severity


def audit(procedure: Procedure, circuit: Circuit, instrument: Instrument) -> Iterator[Finding]:
    """Check a procedure against its circuit.

    Args:
        procedure: sound by itself.
        circuit: the one that it refers to.
        instrument: the meter whose uncertainty counts in what is caught.
    """
    wrong = [*_unknown(procedure, circuit)]
    yield from wrong
    if wrong:
        return
    tied = tie(procedure, circuit)
    try:
        whole = with_limits(procedure, computed_limits(tied))
        found = coverage(tie(whole, circuit), instrument)
    except TiedError as error:
        index = next(place for place, step in enumerate(procedure.steps) if step.id == error.step)
        yield Finding(("steps", index, error.key), error.message)
        return
    except RestlessError as error:
        yield Finding(("circuit",), str(error))
        return
    yield from _coverage(procedure, found)


def _unknown(procedure: Procedure, circuit: Circuit) -> Iterator[Finding]:
    """Find names that the circuit does not have."""
    known = ", ".join(circuit.situations)
    if procedure.situation is not None and procedure.situation not in circuit.situations:
        yield Finding(("situation",), f"situation {procedure.situation!r}: expected one of {known}")
    if procedure.symptom is not None and procedure.symptom not in circuit.symptoms:
        yield Finding(("symptom",), f"symptom {procedure.symptom!r}: expected one of {', '.join(circuit.symptoms)}")
    for index, reference in enumerate(procedure.references):
        if reference.node is not None and reference.node not in circuit.number:
            yield Finding(("references", index, "node"), f"the circuit {circuit.name} has no node {reference.node!r}")
    for index, step in enumerate(procedure.steps):
        if not isinstance(step, MeasuredStep):
            continue
        if step.situation is not None and step.situation not in circuit.situations:
            yield Finding(("steps", index, "situation"), f"situation {step.situation!r}: expected one of {known}")
        if isinstance(step, OperateStep | IntervalStep) and step.worked not in (None, *circuit.situations):
            yield Finding(("steps", index, "worked"), f"situation {step.worked!r}: expected one of {known}")
        if step.on_fail == "find" and step.point not in circuit.number:
            text = f"the circuit {circuit.name} has no point {step.point!r}: no search can begin there"
            yield Finding(("steps", index, "point"), text)


def _coverage(procedure: Procedure, found: Coverage) -> Iterator[Finding]:
    places = {step.id: index for index, step in enumerate(procedure.steps)}
    for step in found.false_alarms:
        text = "a sound circuit would not pass here at every supply that its file allows"
        yield Finding(("steps", places[step]), text, Severity.WARNING)
    for step, proof in found.adrift.items():
        where = f"{proof.question.point} floats in the situation {proof.situation}"
        text = f"{where}: stray voltage leaves {proof.limits.text}; allow for it, or read a point that something drives"
        yield Finding(("steps", places[step]), text, Severity.WARNING)
    for gap in found.gaps:
        if gap.reason is None:
            yield Finding(("circuit",), _sentence(gap), Severity.WARNING)
    for name in found.idle_reasons:
        index = next(place for place, each in enumerate(procedure.uncaught) if each.fault == name)
        text = f"every fault of the name {name!r} is caught, or there is none: nothing is to be accepted here"
        yield Finding(("uncaught", index, "fault"), text, Severity.WARNING)


def _sentence(gap: Gap) -> str:
    passed = f"; {', '.join(gap.passed_by)} would pass it" if gap.passed_by else ""
    closing = f"; to close the gap, {gap.closed_by}" if gap.closed_by else "; no reading of this circuit shows it"
    return f"no step catches {gap.fault}{passed}{closing}, or say under uncaught why it is accepted"
