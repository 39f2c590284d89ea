"""`steadypoint resume`: go on with a job that was broken off, or that a fail stopped."""

import click

from meterlink.cli._conduct import conduct, json_option, meter_option
from meterlink.session import Session


@click.command("resume", short_help="Go on with an interrupted job where it stood.")
@click.argument("job")
@meter_option
@json_option
def command(job: str, meter: str, as_json: bool) -> None:
    """Go on with JOB where it stood: its verdicts stay, the step that was waited for is asked for again.

    A job that a fail stopped asks for the failed step again. Exit status as for `check`.
    """
    conduct(meter, as_json, lambda store: Session.resume(store, job), job)
