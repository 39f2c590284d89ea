"""One job's page, as lines of text for people."""

from collections.abc import Iterator, Sequence

from meterlink.outcome import VerdictOutcome
from meterlink.procedure.model import MeasuredStep, Step
from meterlink.procedure.parse import parse_procedure
from meterlink.record.entry import Event
from meterlink.record.store import Job, Store
from meterlink.record.summary import SUMMARY_KINDS, Found, Judged, Summary, summarise
from meterlink.record.words import (
    STATES,
    calibration_words,
    columns,
    inside,
    local_time,
    measured,
    plus_minus,
    proof_words,
)

_HEAD = ("STEP", "POINT", "VALUE", "U", "LIMITS", "RULE", "VERDICT", "INSIDE", "ATTEMPTS", "TIME", "WHY")
_KNOWN_METER = ("U", "RULE", "INSIDE")
"""Columns that are left out where nothing was known of the meter."""
_WORDS = {
    VerdictOutcome.PASS: "passed",
    VerdictOutcome.FAIL: "failed",
    VerdictOutcome.UNCLEAR: "unclear",
    VerdictOutcome.NOT_APPLICABLE: "not applicable",
}


def job_page(store: Store, job_id: str) -> list[str]:
    """Return the page: how the job began, its steps in the procedure's order, the touches that gave no verdict.

    Raises:
        RecordError: there is no such job.
    """
    return list(_lines(store.job(job_id), summarise(store.events(job_id, SUMMARY_KINDS))))


def _lines(job: Job, summary: Summary) -> Iterator[str]:
    steps = parse_procedure(job.source, f"procedure of job {job.id}").steps
    yield from columns(_header(job, summary, len(steps)))
    yield ""
    rows = [_step_row(job, step, summary.steps.get(step.id), summary.answers.get(step.id)) for step in steps]
    known = [
        column for column, name in enumerate(_HEAD) if name not in _KNOWN_METER or any(row[column] for row in rows)
    ]
    yield from columns([[row[column] for column in known] for row in (_HEAD, *rows)])
    if len(known) == len(_HEAD):
        yield ""
        yield "U: how far the value may be off. INSIDE: how likely the true value lies inside the limits."
    yield from _sources(steps)
    if summary.unjudged_touches:
        yield ""
        yield "Touches that gave no verdict:"
        yield from columns([_touch_row(job, touch) for touch in summary.unjudged_touches])
    yield from _found(job, summary)
    yield ""
    yield from _jumpers(job, summary)
    yield from _notes(job, summary)
    if summary.lost_between:
        live, dead = summary.lost_between
        yield from columns([(f"The voltage is lost between {live} and {dead}.",)])
    yield "A record of readings, not a permit to use the lift."


def _jumpers(job: Job, summary: Summary) -> Iterator[str]:
    """The register of temporary jumpers; one that is in is stamped in capitals."""
    if not summary.jumpers:
        return
    yield "Jumpers:"
    yield from columns([_jumper_row(job, event) for event in summary.jumpers])
    yield from columns([(f"JUMPER STILL IN: {where}",) for where in summary.jumpers_open])
    yield ""


def _jumper_row(job: Job, event: Event) -> tuple[str, ...]:
    state = "fitted" if event.body["fitted"] else "taken out"
    time = local_time(event.at.utc_ns, job.utc_offset_s)[11:19]
    return time, str(event.body["where"]), state, str(event.body["why"])


def _notes(job: Job, summary: Summary) -> Iterator[str]:
    """What people have noted, with the photos that belong to it."""
    if not summary.notes:
        return
    yield "Notes:"
    yield from columns([_note_row(job, event) for event in summary.notes])
    yield ""


def _note_row(job: Job, event: Event) -> tuple[str, ...]:
    photo = event.body["photo"]
    picture = f"photo {photo['name']}, sha256 {photo['sha256']}" if isinstance(photo, dict) else ""
    time = local_time(event.at.utc_ns, job.utc_offset_s)[11:19]
    return time, str(event.body["by"]), str(event.body["text"]), picture


def _found(job: Job, summary: Summary) -> Iterator[str]:
    """The faults that were proven, with the touches that prove them, and whether they were mended."""
    if summary.search_touches:
        yield ""
        yield f"Touches of searches for a fault: {len(summary.search_touches)}."
    if summary.found:
        yield ""
        yield "Faults found:"
        yield from columns([_found_row(job, found) for found in summary.found])


def _found_row(job: Job, found: Found) -> tuple[str, ...]:
    body = found.event.body
    proof = body["proof"]
    touches = [each for each in proof if isinstance(each, dict)] if isinstance(proof, list) else []
    return (
        local_time(found.event.at.utc_ns, job.utc_offset_s)[11:19],
        str(body["answer"]),
        "mended, as the technician says" if found.mended else "NOT MENDED",
        "proof: " + " and ".join(proof_words(each) for each in touches),
    )


def _header(job: Job, summary: Summary, steps: int) -> list[tuple[str, str]]:
    told = [each for each in VerdictOutcome if each is not VerdictOutcome.NOT_APPLICABLE or summary.count(each)]
    counts = ", ".join(f"{summary.count(outcome)} {_WORDS[outcome]}" for outcome in told)
    said = [(name, text) for name, text in (("Lift", job.lift), ("Operator", job.operator)) if text]
    return [
        ("Job", job.id),
        *said,
        ("Procedure", f"{job.procedure} rev {job.revision}: {job.title}"),
        ("Meter", f"{job.meter} ({job.meter_identity})" if job.meter_identity else job.meter),
        *_meters(job, summary),
        ("Software", job.software),
        ("Started", local_time(job.started_utc_ns, job.utc_offset_s)),
        ("Ended", local_time(summary.end.at.utc_ns, job.utc_offset_s) if summary.end else "not ended"),
        ("State", f"{STATES[summary.state]}: {counts}, {steps - summary.done} not judged"),
    ]


def _step_row(job: Job, step: Step, judged: Judged | None, answer: Event | None) -> tuple[str, ...]:
    if answer is not None and (judged is None or judged.at < answer.at):
        time = local_time(answer.at.utc_ns, job.utc_offset_s)[11:19]
        return (step.id, step.point, "", "", "", "", f"answered {answer.body['answer']}", "", "", time, "")
    if judged is None or judged.reopened:
        attempts = str(judged.attempts) if judged else ""
        why = "to be proved again" if judged else ""
        return (step.id, step.point, "", "", "", "", "not judged", "", attempts, "", why)
    return (
        step.id,
        step.point,
        measured(judged.last),
        plus_minus(judged.last),
        str(judged.last["limits"] or ""),
        str(judged.last.get("rule") or ""),
        judged.outcome.value.upper(),
        inside(judged.last),
        str(judged.attempts),
        local_time(judged.at.utc_ns, job.utc_offset_s)[11:19],
        _why(judged),
    )


def _meters(job: Job, summary: Summary) -> Iterator[tuple[str, str]]:
    """What was stated of the meter, and since when; calibration that is not valid is stamped in capitals."""
    for event in summary.meters:
        body = event.body
        name = body["instrument"] or ("not known" if body["cautious_default"] else "not registered")
        warmth = f", at {body['temperature']} °C" if body["temperature"] is not None else ""
        since = local_time(event.at.utc_ns, job.utc_offset_s)[11:19]
        from_then = f", from {since}" if len(summary.meters) > 1 else ""
        yield "Instrument", f"{name}, accuracy sheet {body['sheet']}{warmth}{from_then}"
        yield "Calibration", calibration_words(body)


def _sources(steps: Sequence[Step]) -> Iterator[str]:
    """Where the limits come from, one line a source."""
    stated: dict[str, list[str]] = {}
    for step in steps:
        if isinstance(step, MeasuredStep) and step.source:
            stated.setdefault(step.source, []).append(step.point)
    if stated:
        yield ""
        yield "Where the limits come from:"
        yield from columns([(f"  {', '.join(points)}: {source}",) for source, points in stated.items()])


def _why(judged: Judged) -> str:
    """Why it is no pass, or a pass in doubt."""
    reason, advice = judged.last["reason"], judged.last.get("advice")
    if judged.outcome is VerdictOutcome.PASS and not advice:
        return ""
    return " ".join(str(text) for text in (reason, advice) if text)


def _touch_row(job: Job, touch: Event) -> tuple[str, ...]:
    body = touch.body
    return (
        local_time(touch.at.utc_ns, job.utc_offset_s)[11:19],
        str(body["step"] or "no step"),
        measured(body),
        str(body["outcome"]),
    )
