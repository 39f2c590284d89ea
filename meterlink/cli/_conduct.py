"""What `check` and `resume` share: open the store and the meter, choose the screen, run, report."""

import asyncio
import os
import shlex
import signal
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, ExitStack, contextmanager, nullcontext, suppress
from functools import partial
from typing import TYPE_CHECKING, NoReturn

import click

from meterlink.cli import complain
from meterlink.cli._broker import BrokerChoice
from meterlink.cli._hearing import Hearing, heard
from meterlink.cli._identify import ensure_known
from meterlink.cli._key import ask_passphrase
from meterlink.cli._outputs import JsonOutput, PlainOutput, TerminalOutput, Together
from meterlink.cli._pages import Pages, served
from meterlink.cli._relayed import relayed
from meterlink.cli.readings import quiet_end
from meterlink.driver import parse_meter_url
from meterlink.entered import Entered, entered
from meterlink.errors import FileError
from meterlink.home import home_folder
from meterlink.record.page import job_page
from meterlink.record.store import Store
from meterlink.run import Answers, Output
from meterlink.session import Session
from meterlink.terminal import terminal_screen
from meterlink.visit import Plan, Visited, visit

if TYPE_CHECKING:
    from meterlink.web.server import Place
    from meterlink.web.stage import Stage

ALL_PASSED, WITH_FAILS, BAD_FILE, NOT_FINISHED = range(4)

meter_option = click.option("--meter", required=True, metavar="METER", help="Address of the meter.")
json_option = click.option("--json", "as_json", is_flag=True, help="Print outcomes as JSON lines, and nothing else.")


def conduct(
    plan: Plan,
    *,
    as_json: bool,
    hearing: Hearing,
    pages: Pages | None,
    pedal: bool,
    relay: BrokerChoice | None = None,
) -> NoReturn:
    """Run a job to the exit status.

    Args:
        plan: what to run with which meter.
        as_json: whether outcomes are printed as JSON lines.
        hearing: what is to be heard.
        pages: where the technician's page is served beside that; None for nowhere.
        pedal: whether any key of the terminal that says nothing else says yes.
        relay: the broker over which the job goes to the office; None for none.

    Raises:
        MeterlinkError: it could not begin.
    """
    ensure_known(plan.meter)
    place = pages.take() if pages else None
    status = NOT_FINISHED
    with (
        relayed(relay, home_folder()),
        suppress(KeyboardInterrupt),
    ):  # before the job began, or a second time while it was being closed
        status = asyncio.run(_conduct(plan, pages, place, as_json=as_json, hearing=hearing, pedal=pedal))
    sys.exit(status)


async def _conduct(
    plan: Plan, pages: Pages | None, place: "Place | None", *, as_json: bool, hearing: Hearing, pedal: bool
) -> int:
    folder = home_folder()
    async with served(pages, place, folder) as stage:
        listens = parse_meter_url(plan.meter).scheme != "trace"
        output = partial(_output, as_json=as_json, listens=listens, pedal=pedal)
        show = partial(_shown, hearing=hearing, stage=stage, output=output)
        with Store.open(folder) as store:
            visited = await visit(store, folder, plan, show, ask_passphrase)
            if not as_json:
                with quiet_end():
                    click.echo("\n".join(job_page(store, visited.session.job)))
                    click.echo(f"The record lies in {folder}.")
    return _status(visited, plan, hearing, pedal=pedal)


def _status(visited: Visited, plan: Plan, hearing: Hearing, *, pedal: bool) -> int:
    session, trouble = visited.session, visited.trouble
    if trouble is not None:
        complain(trouble)
    if not session.engine.ended:
        options = [*plan.stated.options, *hearing.options, *(["--pedal"] if pedal else [])]
        again = shlex.join(["steadypoint", "resume", session.job, "--meter", plan.meter, *options])
        click.echo(f"Not finished. Go on with: {again}", err=True)
        return BAD_FILE if isinstance(trouble, FileError) else NOT_FINISHED
    tally = session.engine.tally(session.last)
    return ALL_PASSED if tally.complete and not tally.failed and not tally.unclear else WITH_FAILS


@contextmanager
def _shown(
    session: Session,
    answers: Answers,
    *,
    hearing: Hearing,
    stage: "Stage | None",
    output: Callable[[Session, Answers], AbstractContextManager[Output]],
) -> Iterator[Output]:
    """Show a job here, let it be heard, and show it on the pages where there are any."""
    with suppress(NotImplementedError):  # a platform without these signals in its event loop
        asyncio.get_running_loop().add_signal_handler(signal.SIGTERM, answers.give, None)
    with ExitStack() as outputs:
        outputs.enter_context(quiet_end())
        here = outputs.enter_context(output(session, answers))
        on_terminal = isinstance(here, TerminalOutput)
        if stage is not None:
            here = Together((here, outputs.enter_context(stage.showing(session, answers, here.warn))))
        yield outputs.enter_context(heard(here, session.engine.procedure, hearing, on_terminal=on_terminal))


def _output(
    session: Session, answers: Answers, *, as_json: bool, listens: bool, pedal: bool
) -> AbstractContextManager[Output]:
    if as_json:
        if listens:
            _answers_from_input(answers)
        return nullcontext(JsonOutput(session.job))
    if sys.stdin.isatty() and sys.stdout.isatty():
        return _on_terminal(session, answers, pedal=pedal)
    if listens:
        _answers_from_input(answers)
    return nullcontext(PlainOutput())


@contextmanager
def _on_terminal(session: Session, answers: Answers, *, pedal: bool) -> Iterator[Output]:
    with terminal_screen(answers.give, pedal=pedal) as screen:
        yield TerminalOutput(session.engine, screen, pedal=pedal)


def _answers_from_input(answers: Answers) -> None:
    """Take answers, jumpers and notes from standard input, one a line, for as long as it lasts."""
    threading.Thread(target=_read_words, args=(answers.give,), name="answers", daemon=True).start()


def _read_words(give: Callable[[Entered], None]) -> None:
    # The descriptor is read without Python's buffer: a thread that waits in the buffer would block the exit.
    rest = b""
    with suppress(OSError, ValueError):
        while data := os.read(sys.stdin.fileno(), 4096):
            *words, rest = (rest + data).split(b"\n")
            for word in words:
                text = word.decode("utf-8", "replace").strip()
                try:
                    with suppress(RuntimeError):  # the check has ended
                        if text:
                            give(entered(text))
                except ValueError as error:
                    click.echo(f"steadypoint: {error}", err=True)
