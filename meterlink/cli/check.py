"""`steadypoint check`: run a procedure with a meter."""

import sys
from collections.abc import Sequence
from dataclasses import replace
from typing import NoReturn

import click

from meterlink.cli._answering import pedal_option, ways_options
from meterlink.cli._broker import BrokerChoice
from meterlink.cli._conduct import conduct, json_option, meter_option
from meterlink.cli._hearing import Hearing, hearing_options
from meterlink.cli._pages import Pages, page_options
from meterlink.cli._relayed import relay_option
from meterlink.cli._stated import stated_options
from meterlink.errors import UsageError
from meterlink.gestures import Way
from meterlink.history.lifts import checked_tag
from meterlink.in_hand import Stated
from meterlink.prepared import Prepared, prepare
from meterlink.procedure.load import load_procedure
from meterlink.session import PLAIN, Particulars
from meterlink.visit import new_job


@click.command("check", short_help="Run a procedure with a meter: match, judge, store and answer each reading.")
@click.argument("procedure")
@meter_option
@click.option("--accept-cautions", is_flag=True, help="Count the procedure's cautions as read and acknowledged.")
@click.option("--lift", metavar="TAG", help="The installation, by its tag: its jobs belong together.")
@click.option("--operator", metavar="NAME", help="Who works.")
@click.option("--no-seal", is_flag=True, help="Do not seal the job when it ends; see: steadypoint seal.")
@stated_options
@hearing_options
@page_options
@ways_options
@pedal_option
@relay_option
@json_option
def command(
    *,
    procedure: str,
    meter: str,
    accept_cautions: bool,
    lift: str | None,
    operator: str | None,
    no_seal: bool,
    stated: Stated,
    hearing: Hearing,
    pages: Pages | None,
    ways: frozenset[Way],
    pedal: bool,
    relay: BrokerChoice | None,
    as_json: bool,
) -> None:
    """Run PROCEDURE, a file or the name of a shipped one, with the meter at METER.

    Answers come from the keys shown on the screen, or one a line on standard input: confirm, refuse, repeat, back;
    jumper fitted WHERE: WHY, jumper removed WHERE; note TEXT. Both hands on the probes: the meter's HOLD key on and
    off, or in ohms the tips together twice, says yes to what is asked.

    Exit status: 0 all passed, 1 finished with a fail or unclear, 2 bad usage or bad file, 3 not finished.
    """
    about = Particulars(checked_tag("--lift", lift), checked_tag("--operator", operator), seals_at_end=not no_seal)
    prepared = replace(prepare(load_procedure(procedure)), ways=ways)
    run_procedure(
        prepared,
        meter,
        stated,
        hearing,
        accept_cautions=accept_cautions,
        as_json=as_json,
        pages=pages,
        pedal=pedal,
        about=about,
        relay=relay,
    )


def run_procedure(
    prepared: Prepared,
    meter: str,
    stated: Stated,
    hearing: Hearing,
    *,
    accept_cautions: bool,
    as_json: bool,
    pages: Pages | None = None,
    pedal: bool = False,
    about: Particulars = PLAIN,
    relay: BrokerChoice | None = None,
) -> NoReturn:
    """Have the cautions acknowledged, then run a job to the exit status.

    Raises:
        MeterlinkError: it could not begin.
    """
    if not accept_cautions:
        acknowledge(prepared.procedure.cautions)

    plan = new_job(prepared, meter, stated, about)
    conduct(plan, as_json=as_json, hearing=hearing, pages=pages, pedal=pedal, relay=relay)


def acknowledge(cautions: Sequence[str]) -> None:
    """Have the cautions read and acknowledged on the terminal.

    Raises:
        UsageError: they are not, or there is no terminal.
    """
    for caution in cautions:
        click.echo(f"  - {caution}", err=True)
    if not sys.stdin.isatty():
        raise UsageError("the cautions are not acknowledged: read them, then give --accept-cautions")
    try:
        understood = click.confirm("Read and understood?", err=True)
    except click.Abort:  # Ctrl-C, Ctrl-D
        understood = False
    if not understood:
        raise UsageError("the cautions are not acknowledged; nothing was started")
