"""What the last visit read, for the questions of a procedure that are held against it. Pure."""

from collections.abc import Sequence
from decimal import Decimal

from meterlink.history.figure import Figure, Key
from meterlink.history.visit import Visit, drop_key, keys_of
from meterlink.judging.words import uncertainty
from meterlink.prepared import Told
from meterlink.procedure.last_visit import asks_of_last
from meterlink.procedure.model import Procedure
from meterlink.reading import plain
from meterlink.record.words import local_time

_FACTOR = 2
"""k of what is told of a value's uncertainty."""


def last_told(procedure: Procedure, visits: Sequence[Visit]) -> dict[str, Told]:
    """What to tell with each question about the last visit, by the step that asks.

    Args:
        procedure: as its file has it.
        visits: earlier ones to the same lift, oldest first; those that are not intact do not count.
    """
    keys = keys_of(procedure)
    told = {}
    for step in asks_of_last(procedure):
        asked = [keys[name] for name in step.last]
        told[step.id] = _told(asked[0] if len(asked) == 1 else drop_key(*asked), visits)
    return told


def _told(key: Key, visits: Sequence[Visit]) -> Told:
    """Look for the latest visit that read what is asked."""
    for visit in reversed(visits):
        if not visit.standing.intact:
            continue
        for figure in visit.figures:
            if figure.key == key and figure.value is not None:
                return Told(_sentence(visit, figure), visit.job.id)
    return Told("No earlier visit that read it is in the record.", None)


def _sentence(visit: Visit, figure: Figure) -> str:
    day = local_time(visit.job.started_utc_ns, visit.job.utc_offset_s)[:10]
    value, unit = figure.value or Decimal(0), figure.key.unit
    known = figure.uncertainty
    off = "" if known is None else f" ± {uncertainty(Decimal(str(_FACTOR * known)), unit)}"
    return f"Last visit, {day}: {plain(value)} {unit}{off}."
