"""What `check` and `resume` share: open the store and the meter, choose the screen, run, report."""

import asyncio
import os
import shlex
import signal
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, ExitStack, contextmanager, nullcontext, suppress
from dataclasses import replace
from typing import NoReturn

import click

from meterlink.cli import complain
from meterlink.cli._identify import ensure_known
from meterlink.cli._key import own_key
from meterlink.cli._outputs import JsonOutput, PlainOutput, TerminalOutput
from meterlink.cli.readings import quiet_end
from meterlink.driver import parse_meter_url
from meterlink.errors import FileError, LinkError, MeterlinkError, RecordError
from meterlink.home import home_folder
from meterlink.in_hand import Stated, meter_identity, meter_in_hand
from meterlink.instrument import Instrument
from meterlink.instruments.shelf import local_day
from meterlink.link import Link, open_link, start_clock
from meterlink.outcome import Answer, Break
from meterlink.record.lock import recording
from meterlink.record.page import job_page
from meterlink.record.seal import Signer
from meterlink.record.store import Store
from meterlink.run import Answers, Output, run
from meterlink.session import Session
from meterlink.terminal import terminal_screen

ALL_PASSED, WITH_FAILS, BAD_FILE, NOT_FINISHED = range(4)

meter_option = click.option("--meter", required=True, metavar="METER", help="Address of the meter.")
json_option = click.option("--json", "as_json", is_flag=True, help="Print outcomes as JSON lines, and nothing else.")


Begin = Callable[[Store, Instrument, Signer], Session]


def conduct(meter: str, stated: Stated, begin: Begin, *, as_json: bool, job: str | None = None) -> NoReturn:
    """Run a job to the exit status.

    Args:
        meter: the METER address.
        stated: what the user says of the meter.
        begin: begins the job, or brings it back to where it stood.
        as_json: whether outcomes are printed as JSON lines.
        job: the job's id where it is there already.

    Raises:
        MeterlinkError: it could not begin.
    """
    ensure_known(meter)
    status = NOT_FINISHED
    with suppress(KeyboardInterrupt):  # before the job began, or a second time while it was being closed
        status = asyncio.run(_conduct(meter, stated, begin, as_json, job))
    sys.exit(status)


async def _conduct(meter: str, stated: Stated, begin: Begin, as_json: bool, job: str | None) -> int:
    folder = home_folder()
    with Store.open(folder) as store, ExitStack() as locks:
        if job is not None:
            locks.enter_context(recording(folder, store.job(job).id))
        key = own_key(folder)  # now, before both hands are busy: it may have to be asked for
        async with open_link(meter, start_clock()) as link:
            known = meter_in_hand(stated, await meter_identity(meter), local_day())
            session = begin(store, replace(known, wire=link.wire), key)
            if job is None:
                locks.enter_context(recording(folder, session.job))
            trouble = await _run(session, link, meter, as_json)
        if not as_json:
            with quiet_end():
                click.echo("\n".join(job_page(store, session.job)))
                click.echo(f"The record lies in {folder}.")
    if trouble is not None:
        complain(trouble)
    if not session.engine.ended:
        again = shlex.join(["steadypoint", "resume", session.job, "--meter", meter, *stated.options])
        click.echo(f"Not finished. Go on with: {again}", err=True)
        return BAD_FILE if isinstance(trouble, FileError) else NOT_FINISHED
    tally = session.engine.tally(session.last)
    return ALL_PASSED if tally.complete and not tally.failed and not tally.unclear else WITH_FAILS


async def _run(session: Session, link: Link, meter: str, as_json: bool) -> MeterlinkError | None:
    """Run the job and close it if it has not come to its end; return what broke it off, if anything did."""
    answers = Answers()
    with suppress(NotImplementedError):  # a platform without these signals in its event loop
        asyncio.get_running_loop().add_signal_handler(signal.SIGTERM, answers.give, None)
    replays = parse_meter_url(meter).scheme == "trace"
    trouble: MeterlinkError | None = None
    reason = Break.INTERRUPTED
    try:
        with quiet_end(), _output(session, as_json, answers, listens=not replays) as output:
            try:
                with suppress(asyncio.CancelledError):  # Ctrl-C
                    reason = await run(session, link, answers, output)
            except (LinkError, FileError) as error:
                trouble = error
                session.note(str(error))
            finally:
                last_words = [] if session.engine.ended else session.close(reason)
            for announcement in last_words:
                output.tell(announcement)
    except RecordError as error:
        trouble = error
    return trouble


def _output(session: Session, as_json: bool, answers: Answers, *, listens: bool) -> AbstractContextManager[Output]:
    if as_json:
        if listens:
            _answers_from_input(answers)
        return nullcontext(JsonOutput(session.job))
    if sys.stdin.isatty() and sys.stdout.isatty():
        return _on_terminal(session, answers)
    if listens:
        _answers_from_input(answers)
    return nullcontext(PlainOutput())


@contextmanager
def _on_terminal(session: Session, answers: Answers) -> Iterator[Output]:
    with terminal_screen(answers.give) as screen:
        yield TerminalOutput(session.engine, screen)


def _answers_from_input(answers: Answers) -> None:
    """Take answers from standard input, a word a line, for as long as it lasts."""
    threading.Thread(target=_read_words, args=(answers.give,), name="answers", daemon=True).start()


def _read_words(give: Callable[[Answer | None], None]) -> None:
    # The descriptor is read without Python's buffer: a thread that waits in the buffer would block the exit.
    rest = b""
    with suppress(OSError, ValueError):
        while data := os.read(sys.stdin.fileno(), 4096):
            *words, rest = (rest + data).split(b"\n")
            for word in words:
                text = word.decode("utf-8", "replace").strip()
                if text in list(Answer):
                    with suppress(RuntimeError):  # the check has ended
                        give(Answer(text))
                elif text:
                    expected = ", ".join(Answer)
                    click.echo(f"steadypoint: answer {text!r} is not known; expected {expected}", err=True)
