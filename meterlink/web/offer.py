"""What a check can be started with from a page: procedures, meters, unfinished jobs. A shell: it reads the disk."""

from collections.abc import Iterator, Sequence
from itertools import islice
from pathlib import Path

from meterlink.driver import parse_meter_url
from meterlink.errors import FileError, MeterlinkError, UsageError
from meterlink.history.lifts import lifts
from meterlink.home import procedures_folder, settings_folder
from meterlink.known_meters import known_meters
from meterlink.meter_list import list_meters
from meterlink.outcome import Json, VerdictOutcome
from meterlink.prepared import Prepared, prepare
from meterlink.procedure.load import load_procedure, shipped
from meterlink.record.store import Job, Store
from meterlink.record.summary import SUMMARY_KINDS, JobState, Summary, summarise
from meterlink.record.words import STATES, local_time
from meterlink.registry import transport_names

DEMO = "sim:healthy"
"""The simulated lift, with a technician who answers by himself."""

_NEWEST = 20
"""Jobs that are looked through for unfinished ones."""

_PASSED_OVER = ("trace", "sim")
"""Schemes that are no meter: a file of readings is started at the terminal."""


def offer(folder: Path) -> Json:
    """Everything that can be chosen.

    Args:
        folder: where the record lies.

    Raises:
        RecordError: the record cannot be read.
    """
    with Store.open(folder) as store:
        jobs = store.jobs()
        unfinished = [_job_line(job, summary) for job, summary in _unfinished(store, jobs)]
    used = dict.fromkeys(job.meter for job in jobs if parse_meter_url(job.meter).scheme not in _PASSED_OVER)
    return {
        "procedures": [_procedure_line(key, path) for key, path in offered_procedures().items()],
        "meters": list(islice(used, 6)),
        "demo": DEMO,
        "lifts": [_lift_line(tag, own) for tag, own in lifts(jobs).items()],
        "jobs": unfinished,
    }


async def found_meters() -> Json:
    """Every port and device that can be reached now."""
    found = await list_meters(known_meters(settings_folder()))
    meters = [
        {"address": each.device.address, "name": each.device.name, "speaks": each.speaks} for each in found.meters
    ]
    return {"meters": meters, "troubles": list(found.troubles)}


def offered_procedures() -> dict[str, Path]:
    """Every procedure by the name that pages know it by: the user's own, and those that are shipped."""
    own = {f"own/{path.name}": path for path in sorted(procedures_folder().glob("*.yaml"))}
    return own | shipped()


def chosen_procedure(key: str) -> Prepared:
    """Prepare one of the procedures that are offered.

    Raises:
        UsageError: it is none of those.
        FileError, ProcedureError: it cannot be used.
    """
    path = offered_procedures().get(key)
    if path is None:
        raise UsageError(f"procedure {key!r}: it is not offered here")
    return prepare(load_procedure(path))


def chosen_meter(address: str, procedure: str) -> str:
    """The METER address that a page asks for, where a page may.

    A page names no file: what is read from this machine's disk is chosen at the terminal.

    Raises:
        UsageError: it is none, or names a file.
    """
    url = parse_meter_url(address)
    if url.scheme not in transport_names() or url.scheme == "trace":
        raise UsageError(f"{url.scheme}: cannot be started from a page")
    if named := [value for value in url.options.values() if "/" in value or "\\" in value or value.endswith(".yaml")]:
        raise UsageError(f"{named[0]}: a page cannot name a file; start this one at the terminal")
    if url.scheme == "sim" and not {"procedure", "circuit"} & set(url.options):
        path = offered_procedures().get(procedure, procedure)
        return f"{address}{'&' if url.options else '?'}procedure={path}"
    return address


def _procedure_line(key: str, path: Path) -> Json:
    try:
        procedure = load_procedure(path).procedure
    except FileError as error:
        return {"key": key, "title": key, "trouble": str(error).partition("\n")[0].replace(str(path), key)}
    return {
        "key": key,
        "title": procedure.title,
        "revision": procedure.revision,
        "steps": len(procedure.steps),
        "cautions": list(procedure.cautions),
        "trouble": None,
    }


def _unfinished(store: Store, jobs: list[Job]) -> Iterator[tuple[Job, Summary]]:
    for job in jobs[:_NEWEST]:
        try:
            summary = summarise(store.events(job.id, SUMMARY_KINDS))
        except (MeterlinkError, ValueError, KeyError):
            continue  # of another version: nothing that a page could go on with
        if summary.state is not JobState.COMPLETE:
            yield job, summary


def _lift_line(tag: str, jobs: Sequence[Job]) -> Json:
    """A lift that was visited: its jobs come newest first."""
    last = jobs[0]
    return {"tag": tag, "visits": len(jobs), "last": local_time(last.started_utc_ns, last.utc_offset_s)[:10]}


def _job_line(job: Job, summary: Summary) -> Json:
    return {
        "job": job.id,
        "title": job.title,
        "started": local_time(job.started_utc_ns, job.utc_offset_s),
        "state": STATES[summary.state],
        "judged": sum(summary.count(outcome) for outcome in VerdictOutcome),
        "meter": job.meter,
    }
