"""What the last visit read, for the questions of a procedure that are held against it. Pure."""

from collections.abc import Iterable
from decimal import Decimal

from meterlink.history.drops import drop_key
from meterlink.history.figure import Figure, Key
from meterlink.history.taken import keys_of
from meterlink.history.visit import Visit
from meterlink.judging.words import uncertainty
from meterlink.prepared import Told
from meterlink.procedure.last_visit import asks_of_last
from meterlink.procedure.model import Procedure
from meterlink.reading import plain
from meterlink.record.words import local_time

_FACTOR = 2
"""k of what is told of a value's uncertainty."""


def last_told(procedure: Procedure, visits: Iterable[Visit]) -> dict[str, Told]:
    """What to tell with each question about the last visit, by the step that asks.

    Args:
        procedure: as its file has it.
        visits: earlier ones to the same lift, newest first, asked for until all is found; those that are not intact do
            not count.
    """
    keys = keys_of(procedure)
    wanted: dict[str, Key] = {}
    for step in asks_of_last(procedure):
        asked = [keys[name] for name in step.last]
        wanted[step.id] = asked[0] if len(asked) == 1 else drop_key(*asked)
    told = dict.fromkeys(wanted, Told("No earlier visit that read it is in the record.", None))
    for visit in visits:
        figures = {figure.key: figure for figure in visit.figures if figure.value is not None}
        for step_id in [step_id for step_id, key in wanted.items() if visit.standing.intact and key in figures]:
            told[step_id] = Told(_sentence(visit, figures[wanted.pop(step_id)]), visit.job.id)
        if not wanted:
            break
    return told


def _sentence(visit: Visit, figure: Figure) -> str:
    day = local_time(visit.job.started_utc_ns, visit.job.utc_offset_s)[:10]
    value, unit = figure.value or Decimal(0), figure.key.unit
    known = figure.uncertainty
    off = "" if known is None else f" ± {uncertainty(Decimal(str(_FACTOR * known)), unit)}"
    return f"Last visit, {day}: {plain(value)} {unit}{off}."
