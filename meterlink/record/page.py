"""One job's page, as lines of text for people."""

from collections.abc import Iterator

from meterlink.outcome import VerdictOutcome
from meterlink.procedure.model import Step
from meterlink.procedure.parse import parse_procedure
from meterlink.record.entry import Event
from meterlink.record.store import Job, Store
from meterlink.record.summary import SUMMARY_KINDS, Judged, Summary, summarise
from meterlink.record.words import STATES, columns, local_time, measured

_HEAD = ("STEP", "POINT", "VALUE", "LIMITS", "VERDICT", "ATTEMPTS", "TIME", "WHY")
_WORDS = {VerdictOutcome.PASS: "passed", VerdictOutcome.FAIL: "failed", VerdictOutcome.UNCLEAR: "unclear"}


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
    yield from columns([_HEAD, *(_step_row(job, step, summary.steps.get(step.id)) for step in steps)])
    if summary.unjudged_touches:
        yield ""
        yield "Touches that gave no verdict:"
        yield from columns([_touch_row(job, touch) for touch in summary.unjudged_touches])
    yield ""
    if summary.lost_between:
        live, dead = summary.lost_between
        yield from columns([(f"The voltage is lost between {live} and {dead}.",)])
    yield "A record of readings, not a permit to use the lift."


def _header(job: Job, summary: Summary, steps: int) -> list[tuple[str, str]]:
    counts = ", ".join(f"{summary.count(outcome)} {_WORDS[outcome]}" for outcome in VerdictOutcome)
    return [
        ("Job", job.id),
        ("Procedure", f"{job.procedure} rev {job.revision}: {job.title}"),
        ("Meter", f"{job.meter} ({job.meter_identity})" if job.meter_identity else job.meter),
        ("Software", job.software),
        ("Started", local_time(job.started_utc_ns, job.utc_offset_s)),
        ("Ended", local_time(summary.end.at.utc_ns, job.utc_offset_s) if summary.end else "not ended"),
        ("State", f"{STATES[summary.state]}: {counts}, {steps - len(summary.steps)} not judged"),
    ]


def _step_row(job: Job, step: Step, judged: Judged | None) -> tuple[str, ...]:
    if judged is None:
        return (step.id, step.point, "", "", "not judged", "", "", "")
    return (
        step.id,
        step.point,
        measured(judged.last),
        str(judged.last["limits"] or ""),
        judged.outcome.value.upper(),
        str(judged.attempts),
        local_time(judged.at.utc_ns, job.utc_offset_s)[11:19],
        "" if judged.outcome is VerdictOutcome.PASS else str(judged.last["reason"]),
    )


def _touch_row(job: Job, touch: Event) -> tuple[str, ...]:
    body = touch.body
    return (
        local_time(touch.at.utc_ns, job.utc_offset_s)[11:19],
        str(body["step"] or "no step"),
        measured(body),
        str(body["outcome"]),
    )
