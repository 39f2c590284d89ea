"""`steadypoint serve`: the pages, from which checks are started and watched."""

import asyncio
import signal
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import replace

import click

from meterlink.access.roles import Role
from meterlink.cli._answering import ways_options
from meterlink.cli._broker import BrokerChoice
from meterlink.cli._hearing import Hearing, heard, hearing_options
from meterlink.cli._identify import ensure_known
from meterlink.cli._pages import Pages, place_options
from meterlink.cli._relayed import relay_option, relayed
from meterlink.cli._stated import stated_options
from meterlink.cli.check import acknowledge
from meterlink.errors import UsageError
from meterlink.gestures import Way
from meterlink.home import home_folder
from meterlink.in_hand import Stated
from meterlink.prepared import prepare
from meterlink.procedure.load import load_procedure
from meterlink.run import Answers, Output
from meterlink.session import Session
from meterlink.visit import Plan, job_again, new_job
from meterlink.web.audit.pages import AuditPages
from meterlink.web.audit.records import OwnRecords
from meterlink.web.desk import Desk
from meterlink.web.login import HOMES
from meterlink.web.offer import offered_procedures
from meterlink.web.server import Admission, Place, serving
from meterlink.web.stage import Stage
from meterlink.web.technician import TechnicianPage


@click.command("serve", short_help="Serve the pages: the technician's is the first; checks are started there.")
@click.argument("procedure", required=False)
@place_options
@click.option("--meter", metavar="METER", help="Begin at once, with PROCEDURE or --job and this meter.")
@click.option("--job", metavar="JOB", help="A job to go on with at once, in the place of PROCEDURE.")
@click.option("--accept-cautions", is_flag=True, help="Count the procedure's cautions as read and acknowledged.")
@stated_options
@hearing_options
@ways_options
@relay_option
def command(
    *,
    procedure: str | None,
    pages: Pages,
    meter: str | None,
    job: str | None,
    accept_cautions: bool,
    stated: Stated,
    hearing: Hearing,
    ways: frozenset[Way],
    relay: BrokerChoice | None,
) -> None:
    """Serve the technician's page at /, and the auditor's at /audit, until Ctrl-C.

    A check is started on the page: procedure, meter, cautions; an unfinished one is gone on with. With PROCEDURE and
    --meter, or --job and --meter, it begins at once.
    """
    plan = _plan(procedure, job, meter, stated, ways, accept_cautions=accept_cautions)
    place = pages.take()
    with (
        relayed(relay, home_folder()),
        suppress(KeyboardInterrupt),
        pages.admission(place, home_folder()) as admission,
    ):
        asyncio.run(_serve(place, admission, plan, hearing, ways))


def _plan(
    procedure: str | None,
    job: str | None,
    meter: str | None,
    stated: Stated,
    ways: frozenset[Way],
    *,
    accept_cautions: bool,
) -> Plan | None:
    if meter is None and procedure is None and job is None:
        return None
    if meter is None or (procedure is None) == (job is None):
        raise UsageError("to begin at once, give --meter and either PROCEDURE or --job; or none of them")
    ensure_known(meter)
    if job is not None:
        return job_again(job, meter, stated)
    prepared = replace(prepare(load_procedure(procedure or "")), ways=ways)
    if not accept_cautions:
        acknowledge(prepared.procedure.cautions)
    return new_job(prepared, meter, stated)


_SHARE_S = 0.0005
"""How long a thread that works for the auditor's page holds the interpreter while a check waits for it."""


async def _serve(place: Place, admission: Admission, plan: Plan | None, hearing: Hearing, ways: frozenset[Way]) -> None:
    sys.setswitchinterval(_SHARE_S)
    stage = Stage()

    @contextmanager
    def show(session: Session, answers: Answers) -> Iterator[Output]:
        with (
            stage.showing(session, answers) as pages,
            heard(pages, session.engine.procedure, hearing, on_terminal=False) as output,
        ):
            yield output

    folder = home_folder()
    desk = Desk(stage, folder, show, ways)
    ended = asyncio.Event()
    with suppress(NotImplementedError):  # a platform without these signals in its event loop
        asyncio.get_running_loop().add_signal_handler(signal.SIGTERM, ended.set)
    records = OwnRecords(folder)
    audit = AuditPages(records, offered_procedures)
    stage.say_of_itself(audits=True)
    routes = [*TechnicianPage(stage, folder).routes, *desk.routes, *audit.routes]
    try:
        async with serving(place, stage, routes, replace(admission, homes={**HOMES, Role.AUDITOR: "/audit"})):
            click.echo(f"The technician's page: {place.url}", err=True)
            click.echo(f"The auditor's page: {place.url}audit", err=True)
            if plan is not None:
                desk.begin(_given(plan), plan.meter)
            try:
                await ended.wait()
            finally:
                await desk.close()
    finally:
        audit.close()
        records.close()


def _given(plan: Plan) -> Callable[[], Plan]:
    return lambda: plan
