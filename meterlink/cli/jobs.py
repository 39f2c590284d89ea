"""`steadypoint jobs`: the jobs in the record, newest first."""

import json

import click

from meterlink.cli._store import open_store, store_option
from meterlink.office.register import jobs_at
from meterlink.outcome import VerdictOutcome
from meterlink.record.lines import job_line
from meterlink.record.store import Job, Store
from meterlink.record.summary import SUMMARY_KINDS, Summary, summarise
from meterlink.record.words import STATES, columns, local_time

_HEAD = ("JOB", "STARTED", "PROCEDURE", "STATE", "PASSED", "FAILED", "UNCLEAR")


@click.command("jobs", short_help="List the jobs in the record.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object a line.")
@store_option
@click.option("--site", metavar="SITE", help="Only jobs of devices that an office has at this site.")
def command(as_json: bool, store_url: str | None, site: str | None) -> None:
    """List the jobs in the record, newest first, each with what it came to so far."""
    with open_store(store_url) as store:
        found = [(job, summarise(store.events(job.id, SUMMARY_KINDS))) for job in _listed(store, site)]
    if not found:
        click.echo("No job is in the record yet; begin one with: steadypoint check", err=True)
    elif as_json:
        for job, summary in found:
            click.echo(json.dumps(job_line(job, summary), ensure_ascii=False))
    else:
        for line in columns([_HEAD, *(_row(job, summary) for job, summary in found)]):
            click.echo(line)


def _listed(store: Store, site: str | None) -> list[Job]:
    listed = store.jobs()
    if site is None:
        return listed
    there = jobs_at(store, site)
    return [job for job in listed if job.id in there]


def _row(job: Job, summary: Summary) -> tuple[str, ...]:
    return (
        job.id,
        local_time(job.started_utc_ns, job.utc_offset_s),
        f"{job.procedure} rev {job.revision}",
        STATES[summary.state],
        str(summary.count(VerdictOutcome.PASS)),
        str(summary.count(VerdictOutcome.FAIL)),
        str(summary.count(VerdictOutcome.UNCLEAR)),
    )
