"""Takes a lift's visits out of the record. A shell around the rest of this room: it reads, and decides nothing."""

from collections.abc import Iterable, Iterator, Mapping
from itertools import islice

from meterlink.errors import RecordError
from meterlink.history.lifts import lifts, no_such_lift, same_tag
from meterlink.history.visit import VISIT_KINDS, Standing, Visit, visit_of
from meterlink.record.as_found import job_as_found, job_ids, lines_as_found, seals_as_found
from meterlink.record.entry import Kind
from meterlink.record.proof import prove
from meterlink.record.store import Job, Store

_READINGS = 300
"""So many tell how often the display is updated."""


def visits_to(
    store: Store, lift: str, known: Mapping[str, str], *, recorded_here: bool = True, sealed_only: bool = False
) -> list[Visit]:
    """Return every visit to a lift, oldest first.

    Args:
        store: the record.
        lift: the installation's tag; case, and space at its ends, are no matter.
        known: names of the keys that are known here, by public key in hex.
        recorded_here: whether it is this machine's own record, where no unknown key has any business.
        sealed_only: leave out what is not both intact and sealed.

    Raises:
        RecordError: there is none, and names the lifts nearest to it; or none is left.
    """
    jobs = _jobs(store)
    own = _of_lift(jobs, lift)
    if not own:
        raise no_such_lift(lift, lifts(jobs))
    visits = [_visit(store, job, known, recorded_here=recorded_here) for job in own]
    left = [each for each in visits if not sealed_only or (each.standing.intact and each.standing.sealed)]
    if not left:
        raise RecordError(f"of the {len(visits)} jobs of lift {lift!r} none is both intact and sealed")
    return left


def earlier_visits(store: Store, lift: str | None, known: Mapping[str, str]) -> Iterator[Visit]:
    """Return every visit to a lift, newest first, each read when it is asked for; none where no lift is named.

    Args:
        store: the record.
        lift: the installation's tag.
        known: names of the keys that are known here, by public key in hex.

    Raises:
        RecordError: the record cannot be read.
    """
    own = [] if lift is None else _of_lift(_jobs(store), lift)
    return (_visit(store, job, known, recorded_here=True) for job in reversed(own))


def _jobs(store: Store) -> list[Job]:
    return [job for job_id in job_ids(store) if (job := job_as_found(store, job_id)) is not None]


def _of_lift(jobs: Iterable[Job], lift: str) -> list[Job]:
    """A lift's jobs, oldest first."""
    own = [job for job in jobs if job.lift and same_tag(job.lift, lift)]
    return sorted(own, key=lambda job: job.started_utc_ns)


def _visit(store: Store, job: Job, known: Mapping[str, str], *, recorded_here: bool) -> Visit:
    lines, seals = lines_as_found(store, job.id, job.sha256 or ""), seals_as_found(store, job.id)
    proof = prove(job, lines, seals, known, recorded_here=recorded_here)
    standing = Standing(proof.intact, proof.sealed, tuple(proof.troubles))
    readings = islice(store.events(job.id, (Kind.READING,)), _READINGS)
    return visit_of(job, store.events(job.id, VISIT_KINDS), readings, standing)
