"""`steadypoint resume`: go on with a job that was broken off, or that a fail or an unclear step stopped."""

import click

from meterlink.cli._answering import pedal_option
from meterlink.cli._broker import BrokerChoice
from meterlink.cli._conduct import conduct, json_option, meter_option
from meterlink.cli._hearing import Hearing, hearing_options
from meterlink.cli._pages import Pages, page_options
from meterlink.cli._relayed import relay_option
from meterlink.cli._stated import stated_options
from meterlink.in_hand import Stated
from meterlink.visit import job_again


@click.command("resume", short_help="Go on with an interrupted job where it stood.")
@click.argument("job")
@meter_option
@stated_options
@hearing_options
@page_options
@pedal_option
@relay_option
@json_option
def command(
    *,
    job: str,
    meter: str,
    stated: Stated,
    hearing: Hearing,
    pages: Pages | None,
    pedal: bool,
    relay: BrokerChoice | None,
    as_json: bool,
) -> None:
    """Go on with JOB where it stood: its verdicts stay, the step that was waited for is asked for again.

    A job that a fail or an unclear step stopped asks for that step again. Exit status as for `check`.
    """
    conduct(job_again(job, meter, stated), as_json=as_json, hearing=hearing, pages=pages, pedal=pedal, relay=relay)
