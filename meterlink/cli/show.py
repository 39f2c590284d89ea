"""`steadypoint show`: one job, for people or as JSON lines."""

import json

import click

from meterlink.cli._store import open_store, store_option
from meterlink.record.lines import event_line, job_line
from meterlink.record.page import job_page
from meterlink.record.summary import SUMMARY_KINDS, summarise


@click.command("show", short_help="Show one job: its steps, verdicts and touches.")
@click.argument("job")
@click.option("--json", "as_json", is_flag=True, help="Print the job and every stored event, one JSON object a line.")
@store_option
def command(job: str, as_json: bool, store_url: str | None) -> None:
    """Show one job: its steps in order with their verdicts, then the touches that gave none.

    JOB is an id that `steadypoint jobs` lists.
    """
    with open_store(store_url) as store:
        if not as_json:
            click.echo("\n".join(job_page(store, job)))
            return
        summary = summarise(store.events(job, SUMMARY_KINDS))
        click.echo(json.dumps(job_line(store.job(job), summary), ensure_ascii=False))
        for event in store.events(job):
            click.echo(json.dumps(event_line(job, event), ensure_ascii=False))
