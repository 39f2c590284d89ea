"""Stored jobs and events as the JSON objects that `jobs --json` and `show --json` print: a public contract."""

from meterlink.outcome import Json, VerdictOutcome, seconds
from meterlink.record.entry import OUTCOMES, Event, Kind
from meterlink.record.store import Job
from meterlink.record.summary import Summary
from meterlink.record.words import rfc3339


def job_line(job: Job, summary: Summary) -> Json:
    """Write one job: how it began and what it came to so far. `utc_offset_s` is in seconds east of UTC."""
    return {
        "event": "job",
        "job": job.id,
        "procedure": job.procedure,
        "title": job.title,
        "revision": job.revision,
        "source_sha256": job.source_sha256,
        "meter": job.meter,
        "meter_identity": job.meter_identity,
        "software": job.software,
        "lift": job.lift,
        "operator": job.operator,
        "started": rfc3339(job.started_utc_ns),
        "utc_offset_s": job.utc_offset_s,
        "state": summary.state.value,
        "passed": summary.count(VerdictOutcome.PASS),
        "failed": summary.count(VerdictOutcome.FAIL),
        "unclear": summary.count(VerdictOutcome.UNCLEAR),
    }


def event_line(job_id: str, event: Event) -> Json:
    """Write one stored event: its body as announced or taken in, with its number and wall clock.

    A frame stands as `raw` in hex. What has no time of its own gets `t`, in seconds from the start.
    """
    line: dict[str, object] = {"event": event.kind.value, **event.body}
    if event.kind not in OUTCOMES:  # those are timed by themselves
        line["t"] = seconds(event.at)
    if event.kind is Kind.END:
        line["job"] = job_id
    if event.raw:
        line["raw"] = event.raw.hex()
    return line | {"seq": event.seq, "utc": rfc3339(event.at.utc_ns)}
