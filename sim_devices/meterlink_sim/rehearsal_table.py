"""The runs of one procedure as a table: a row a fault, a column a step."""

from collections.abc import Iterator, Mapping, Sequence

from meterlink.procedure.model import Procedure
from meterlink_sim.rehearsal import FOUND, Rehearsal

_SIGNS = {
    "pass": ".",
    "fail": "x",
    "unclear": "?",
    "not-applicable": "-",
    FOUND: "!",
}
_LEGEND = ". passed   x failed   ? too close to call   - does not apply   blank: not come to   capital X: caught here"
_CATCHES = dict.fromkeys("x?!", "X")


def table(procedure: Procedure, runs: Sequence[Rehearsal], left_out: Mapping[str, str]) -> Iterator[str]:
    """Say which step caught which fault.

    Args:
        procedure: the steps.
        runs: of it.
        left_out: faults that are not meant to be caught, each with the reason.
    """
    ids = [step.id for step in procedure.steps]
    yield f"{procedure.title} ({procedure.procedure}, revision {procedure.revision})"
    yield ""
    width = max(len(step) for step in ids)
    caught = {step: [run.planted.name for run in runs if run.caught_by == step] for step in ids}
    for number, step in enumerate(ids, start=1):
        yield f"{number:4}  {step:{width}}  {' '.join(caught[step])}".rstrip()
    yield ""
    yield _LEGEND
    margin = max(len(run.planted.name) for run in runs)
    yield f"{'':{margin}}  {''.join(str(number // 10 or ' ') for number in range(1, len(ids) + 1))}".rstrip()
    yield f"{'':{margin}}  {''.join(str(number % 10) for number in range(1, len(ids) + 1))}"
    for run in runs:
        yield f"{run.planted.name:{margin}}  {''.join(_sign(run, step) for step in ids)}  {_said(run)}"
    yield ""
    yield _sum(runs, left_out)
    for fault, reason in left_out.items():
        yield f"  {fault}: {reason}"


def _sign(run: Rehearsal, step: str) -> str:
    outcome = run.verdicts.get(step)
    sign = " " if outcome is None else _SIGNS[outcome]
    return _CATCHES.get(sign, sign) if step == run.caught_by else sign


def _said(run: Rehearsal) -> str:
    where = f" by {run.caught_by}" if run.caught_by is not None else ""
    rest = "" if run.complete else ", not complete"
    return f"{run.result}{where}{rest}"


def _sum(runs: Sequence[Rehearsal], left_out: Mapping[str, str]) -> str:
    good = sum(run.result.good for run in runs)
    text = f"{len(runs)} runs, {good} as they should be."
    if left_out:
        text += f" {len(left_out)} faults are not meant to be caught here:"
    return text
