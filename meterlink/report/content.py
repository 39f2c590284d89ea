"""All that a report says of a job, as one content that JSON can hold; paper and page show the same. Pure.

Every text in it comes from outside and stands for itself: the renderings take nothing for markup.
"""

import re
from collections.abc import Iterable, Sequence
from dataclasses import asdict, fields, replace
from typing import Any

from meterlink.errors import MeterlinkError
from meterlink.outcome import Json
from meterlink.paper.letters import shortened
from meterlink.paper.procedure_sheet import PERMIT
from meterlink.prepared import kept_again
from meterlink.procedure.model import Procedure
from meterlink.procedure.parse import parse_procedure
from meterlink.record.chain import Line
from meterlink.record.entry import Event
from meterlink.record.proof import Proof
from meterlink.record.seal import Seal, fingerprint
from meterlink.record.store import Job
from meterlink.record.words import STATES
from meterlink.report.gathered import Gathered, gather
from meterlink.report.legible import Log
from meterlink.report.registers import breaks, faults, instruments, jumpers, notes, unseen
from meterlink.report.standing import checked, counts, open_first, warnings
from meterlink.report.step_rows import Rows, listed
from meterlink.report.texts import Clock, said
from meterlink.report.touch_rows import touch_rows

_TITLE, _LONG = 90, 60
"""Letters of the title and of other texts at the head of the first page."""
_ELSEWHERE = "on another machine: intact, and sealed by this very key"
_TYPED = re.compile(r"[A-Za-z0-9-]{1,40}", re.ASCII)
"""A job's id that may stand in a command for people to type."""
_NUMBERS = ("started_utc_ns", "utc_offset_s")
_NO_DAY = "1970-01-01"
"""Stands where a record has no time that can be."""


def report(job: Job, lines: Iterable[Line | None], seals: Sequence[Seal], proof: Proof) -> dict[str, object]:
    """Work out what is reported of a job, whatever state its record is in.

    Args:
        job: its own line, as found.
        lines: its log, as found; read once.
        seals: as found.
        proof: what chain and seals prove.
    """
    job = _as_text(job)
    log = Log(lines, chained=job.sha256 is not None)
    gathered = gather(log.events())
    summary, clock = gathered.summary, Clock(job.started_utc_ns, job.utc_offset_s)
    procedure = _procedure(job, gathered.start)
    steps = procedure.steps if procedure else ()
    rows_of = Rows(summary, clock, gathered.touches)
    rows = list(rows_of.rows(procedure))
    warned = list(warnings(job, proof, gathered, log.left_out, legible=procedure is not None))
    opened = open_first(gathered, rows, len(warned))
    title = said(job.title) or "A job whose title cannot be read"
    return {
        "title": shortened(title, _TITLE),
        "job": said(job.id),
        "running": shortened(f"{shortened(said(job.lift or 'no lift named'), 24)}, {title}", 72),
        "identity": f"Job {shortened(said(job.id), 24)}, {shortened(said(job.procedure), 24)} "
        f"revision {shortened(said(job.revision), 20)}, SHA-256 {said(job.source_sha256[:12])}…",
        "permit": PERMIT,
        "issued": _day(job, gathered, clock),
        "about": [{"word": word, "text": shortened(text, _LONG)} for word, text in _about(job, gathered, clock)],
        "whole": [{"word": word, "text": said(text)} for word, text in _whole(job)],
        "warnings": warned,
        "counts": counts(rows),
        "open": opened,
        "checked": checked(rows, warned, opened),
        "mended": sum(found.mended for found in summary.found),
        "proof": _proof_in_short(job, proof),
        "cautions": _cautions(gathered),
        "instruments": [*instruments(summary, clock)],
        "meter": said(f"{job.meter} ({job.meter_identity})" if job.meter_identity else job.meter),
        "software": said(job.software),
        "steps": [asdict(row) for row in rows],
        "sources": [*listed(rows_of.sources)],
        "touches": [asdict(row) for row in touch_rows(gathered, steps, clock)],
        "jumpers": [*jumpers(steps, summary, clock)],
        "faults": [*faults(summary, clock)],
        "notes": [*notes(summary, clock)],
        "breaks": [*breaks(gathered, clock)],
        "unseen": [*unseen(steps, summary, gathered.touches)],
        "seal": _seal(job, seals, proof, clock),
        "events": gathered.events + len(log.left_out),
        "readings": gathered.readings,
    }


def _as_text(job: Job) -> Job:
    """Of an altered record, what should be a text may be anything."""
    found = {each.name: getattr(job, each.name) for each in fields(job) if each.name not in _NUMBERS}
    texts: dict[str, Any] = {name: None if value is None else str(value) for name, value in found.items()}
    return replace(job, **texts)


def _procedure(job: Job, start: Event | None) -> Procedure | None:
    """The procedure with its limits worked out as they were then; else as its text has it; None where it has none."""
    name = f"procedure of job {job.id}"
    if start is not None:
        try:
            return kept_again(job.source, start.body, name).procedure
        except (MeterlinkError, LookupError, TypeError, ValueError):
            pass  # what was kept beside the text was altered
    try:
        return parse_procedure(job.source, name)
    except (MeterlinkError, ValueError):
        return None


def _day(job: Job, gathered: Gathered, clock: Clock) -> str:
    """The day of the last event: a report is as old as its record."""
    last = clock.day(gathered.last.at.utc_ns) if gathered.last else None
    return last or clock.day(job.started_utc_ns) or _NO_DAY


def _about(job: Job, gathered: Gathered, clock: Clock) -> list[tuple[str, str]]:
    summary = gathered.summary
    return [
        ("Installation", said(job.lift or "") or "not named"),
        ("Operator", said(job.operator or "") or "not named"),
        ("Started", clock.full(job.started_utc_ns)),
        ("Ended", clock.full(summary.end.at.utc_ns) if summary.end else "not ended"),
        ("State", STATES[summary.state]),
        ("Instrument", said(str(summary.meters[-1].body["instrument"] or "not registered")) if summary.meters else "-"),
    ]


def _whole(job: Job) -> list[tuple[str, str]]:
    """What the first page may have shortened."""
    return [
        ("Procedure", f"{job.procedure}, revision {job.revision}: {job.title}"),
        ("Its text, SHA-256", job.source_sha256),
        ("Installation", job.lift or "not named"),
        ("Operator", job.operator or "not named"),
    ]


def _cautions(gathered: Gathered) -> list[str] | None:
    start = gathered.start
    if start is None:
        return None
    acknowledged = start.body["acknowledged"]
    return [said(str(each)) for each in acknowledged] if isinstance(acknowledged, list) else []


def _proof_in_short(job: Job, proof: Proof) -> str:
    if job.sha256 is None:
        return "not chained"
    intact = "intact" if proof.intact else "NOT INTACT"
    return f"{intact}, {'sealed' if proof.sealed else 'NOT SEALED'}, {proof.events} events"


def _seal(job: Job, seals: Sequence[Seal], proof: Proof, clock: Clock) -> Json:
    """What is proven, what is not, and what to type to see it oneself."""
    name = job.id if _TYPED.fullmatch(job.id) else "JOB"
    key = fingerprint(proof.key) if proof.key else None
    return {
        "intact": proof.intact,
        "sealed": proof.sealed,
        "troubles": [*map(said, proof.troubles)],
        "facts": [*map(said, proof.facts)],
        "seals": [
            {
                "events": seal.events,
                "time": clock.full(seal.utc_ns),
                "key": fingerprint(seal.public_key),
                "head": said(seal.head),
                "public_key": said(seal.public_key),
                "signature": said(seal.signature),
            }
            for seal in seals
        ],
        "own": said(job.sha256 or ""),
        "commands": [
            {"command": f"steadypoint verify {name}", "text": "whether it was altered since, and who signed it"},
            {"command": f"steadypoint replay {name}", "text": "the stored frames decoded and judged again, compared"},
            {
                "command": f"steadypoint export {name} --as archive -o {name}.zip",
                "text": "the whole job as a file that anyone can check; verify and replay take it too",
            },
            *([{"command": f"steadypoint verify {name}.zip --key {key}", "text": _ELSEWHERE}] if key else []),
        ],
    }
