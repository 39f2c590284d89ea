"""One visit from the meter to the record, wherever it is shown: the terminal, a program, the pages."""

import asyncio
from asyncio import CancelledError
from collections.abc import Callable
from contextlib import AbstractContextManager, ExitStack, suppress
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

from meterlink.errors import FileError, LinkError, MeterlinkError, RecordError
from meterlink.history.last_visit import last_told
from meterlink.history.look_up import earlier_visits
from meterlink.in_hand import Stated, meter_identity, meter_in_hand, require_calibration
from meterlink.inbox import mark_taken, waiting_notes
from meterlink.instrument import Instrument
from meterlink.instruments.shelf import local_day
from meterlink.link import Link, open_link, start_clock
from meterlink.outcome import Break
from meterlink.prepared import Prepared, remembering
from meterlink.procedure.last_visit import asks_of_last
from meterlink.record.device_key import Ask, ask_nobody, device_key, known_keys
from meterlink.record.lock import recording
from meterlink.record.seal import Signer
from meterlink.record.store import Store
from meterlink.run import Answers, Output, Remark, run
from meterlink.session import PLAIN, Particulars, Session

Begin = Callable[[Store, Path, Instrument, Signer], Session]
"""Begins the job, or brings it back to where it stood; the path is the folder of record and keys."""

Show = Callable[[Session, Answers], AbstractContextManager[Output]]
"""Where a job is shown while it runs, and where its answers come from."""


_INBOX_S = 0.5


@dataclass(frozen=True, slots=True)
class Plan:
    """What is to be run, and with which meter."""

    meter: str
    """The METER address."""
    stated: Stated
    """What the user says of the meter."""
    begin: Begin
    job: str | None = None
    """The job's id where it is there already."""


def new_job(prepared: Prepared, meter: str, stated: Stated, about: Particulars = PLAIN) -> Plan:
    """Plan a job that begins; a procedure that requires a valid calibration refuses any other meter.

    What the last visit to the lift read is given into the job where a step asks about it.
    """

    def begin(store: Store, folder: Path, instrument: Instrument, key: Signer) -> Session:
        require_calibration(prepared.procedure, instrument)
        whole = prepared
        if any(asks_of_last(prepared.procedure)):
            earlier = earlier_visits(store, about.lift, known_keys(folder))
            whole = remembering(prepared, last_told(prepared.procedure, earlier))
        return Session.begin(store, whole, meter, instrument, about=about, signer=key)

    return Plan(meter, stated, begin)


def job_again(job: str, meter: str, stated: Stated) -> Plan:
    """Plan to go on with a job where it stood."""

    def begin(store: Store, _folder: Path, instrument: Instrument, key: Signer) -> Session:
        session = Session.resume(store, job, instrument, key)
        require_calibration(session.engine.procedure, instrument)
        return session

    return Plan(meter, stated, begin, job)


@dataclass(frozen=True, slots=True)
class Visited:
    """How a run of a job ended."""

    session: Session
    trouble: MeterlinkError | None
    """What broke it off; None where it came to its end, or the technician stopped it."""


async def visit(store: Store, folder: Path, plan: Plan, show: Show, ask: Ask = ask_nobody) -> Visited:
    """Run a job until it ends or breaks off; it is closed then, and can be resumed in the second case.

    Args:
        store: the record.
        folder: where that lies.
        plan: what to run with which meter.
        show: shows it.
        ask: gives the passphrase of the device's key, where it has one.

    Raises:
        MeterlinkError: it could not begin.
    """
    key = device_key(folder, ask)  # now, before both hands are busy
    with ExitStack() as locks:
        if plan.job is not None:
            locks.enter_context(recording(folder, store.job(plan.job).id))
        async with open_link(plan.meter, start_clock()) as link:
            known = meter_in_hand(plan.stated, await meter_identity(plan.meter), local_day())
            session = plan.begin(store, folder, replace(known, wire=link.wire), key)
            if plan.job is None:
                locks.enter_context(recording(folder, session.job))
            return Visited(session, await _run(session, link, show, folder))


async def _run(session: Session, link: Link, show: Show, folder: Path) -> MeterlinkError | None:
    """Run the job and close it if it has not come to its end; return what broke it off, if anything did."""
    answers = Answers()
    hearing = asyncio.ensure_future(_hear_office(folder, answers))
    trouble: MeterlinkError | None = None
    reason = Break.INTERRUPTED
    try:
        with show(session, answers) as output:
            try:
                with suppress(CancelledError):  # Ctrl-C
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
    finally:
        hearing.cancel()
    return trouble


async def _hear_office(folder: Path, answers: Answers) -> None:
    """Hand notes from the office to the check as they come, each once."""
    given: set[str] = set()
    while True:
        for note in await asyncio.to_thread(waiting_notes, folder):
            if note.id not in given:
                given.add(note.id)
                answers.give(Remark(note.text, note.by, None, partial(mark_taken, folder, note), note.id))
        await asyncio.sleep(_INBOX_S)
