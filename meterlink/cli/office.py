"""`steadypoint office`: take in what the crews send."""

import asyncio
import signal
import time
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from meterlink.cli._broker import BrokerChoice, broker_options
from meterlink.cli._pages import Pages, optional_page
from meterlink.cli._store import office_url, store_option
from meterlink.errors import RecordError, UsageError
from meterlink.home import home_folder
from meterlink.office.aside import refusals
from meterlink.office.retention import EVERY_SITE, retire
from meterlink.record.store import Store
from meterlink.record.words import columns, rfc3339

if TYPE_CHECKING:
    from meterlink.office.running import Running
    from meterlink.relay.broker import Broker
    from meterlink.web.server import Place

_RETIRE_EVERY_S = 3600.0


@dataclass(frozen=True, slots=True)
class Keeping:
    """For how long jobs are kept, and where they go then."""

    days: Mapping[str, int]
    folder: Path

    async def run(self, store: Store, say: Callable[[str], None]) -> None:
        """Let jobs go once an hour."""
        while True:
            try:
                gone, troubles = await asyncio.to_thread(retire, store, self.folder, self.days, time.time_ns())
            except RecordError as error:
                gone, troubles = [], [str(error)]
            for news in [*(f"job {each.job} left as {each.archive}" for each in gone), *troubles]:
                say(news)
            await asyncio.sleep(_RETIRE_EVERY_S)


@dataclass(frozen=True, slots=True)
class Page:
    """Where the office's page and the auditor's are served, and to whom."""

    pages: Pages
    place: "Place"
    accounts: str | None
    """The database of the accounts, where several offices share them; None: a file in the home folder."""

    async def run(self, running: "Running", store: Store, hear: Callable[[Callable[[str], None]], None]) -> None:
        """Run an office with its page.

        Args:
            running: the office.
            store: its store.
            hear: is given what shows the office's news on the page.
        """
        from meterlink.access.roles import Role  # noqa: PLC0415 - lazy: not every office process has a page
        from meterlink.web.audit.pages import AuditPages  # noqa: PLC0415
        from meterlink.web.audit.records import OfficeRecords  # noqa: PLC0415
        from meterlink.web.login import HOMES  # noqa: PLC0415
        from meterlink.web.offer import offered_procedures  # noqa: PLC0415
        from meterlink.web.office.pages import OfficePages  # noqa: PLC0415
        from meterlink.web.server import serving  # noqa: PLC0415

        office = OfficePages(running, store)
        hear(office.watch.say)
        audit = AuditPages(OfficeRecords(store, home_folder()), offered_procedures)
        homes = {**HOMES, Role.OFFICE: "/office", Role.AUDITOR: "/audit"}
        try:
            with self.pages.admission(self.place, home_folder(), self.accounts) as admission:
                routes = [*office.routes, *audit.routes]
                async with serving(self.place, office, routes, replace(admission, homes=homes)):
                    click.echo(f"The office's page: {self.place.url}", err=True)
                    await asyncio.gather(running.office.run(office.watch.hears), office.watch.run())
        finally:
            audit.close()


@click.command("office", short_help="Take in the crews' jobs over MQTT, checked, and keep them.")
@broker_options
@store_option
@click.option(
    "--open-register/--closed-register",
    default=None,
    help="Whether a device that is not enrolled is noted with the first key that comes. [default: open on a broker on "
    "this machine for as long as no device is enrolled]",
)
@click.option(
    "--keep",
    multiple=True,
    metavar="DAYS|SITE=DAYS",
    help="For how long jobs are kept after the last news of them; then they leave as archives. [default: forever]",
)
@click.option(
    "--archives",
    type=click.Path(exists=True, file_okay=False, path_type=Path),
    metavar="FOLDER",
    help="Where they go; with --keep.",
)
@optional_page("--port", "Serve the office's page there; 0: any port that is free.")
@click.option("--aside", is_flag=True, help="List what was refused and kept aside, newest first, and nothing else.")
def command(
    *,
    choice: BrokerChoice,
    store_url: str | None,
    open_register: bool | None,
    keep: tuple[str, ...],
    archives: Path | None,
    pages: Pages | None,
    aside: bool,
) -> None:
    """Take in what the crews' relays send until Ctrl-C; each job's chain and seals are checked as they come.

    The store is office.sqlite3 in the home folder unless --store names another. Several offices may share one store on
    a server, and one broker; each may serve the page, which shows every crew's job as it goes.
    """
    url = office_url(store_url)
    if aside:
        _list_refusals(url)
        return
    if bool(keep) != (archives is not None):
        raise UsageError("--keep and --archives go together: what is not kept leaves as an archive")
    keeping = Keeping(keep_days(keep), archives) if archives is not None else None
    to = choice.broker()
    page = None if pages is None else Page(pages, pages.take(), None if url.startswith("sqlite:") else url)
    with (
        Store.at(url) as store,
        suppress(KeyboardInterrupt),
        asyncio.Runner(loop_factory=asyncio.SelectorEventLoop) as runner,  # the kind that aiomqtt needs
    ):
        runner.run(_run(store, to, open_register, keeping, page))


def _list_refusals(url: str) -> None:
    with Store.at(url) as store:
        found = refusals(store)
    rows = [(rfc3339(each.utc_ns), each.device, each.job, f"{each.size} B", each.reason) for each in found]
    for line in columns([("WHEN", "DEVICE", "JOB", "SIZE", "WHY"), *rows]):
        click.echo(line)


async def _run(
    store: Store, broker: "Broker", open_register: bool | None, keeping: Keeping | None, page: "Page | None"
) -> None:
    from meterlink.office.running import make_office  # noqa: PLC0415 - lazy, for a quick --help

    ended = asyncio.Event()
    with suppress(NotImplementedError):  # a platform without these signals in its event loop
        asyncio.get_running_loop().add_signal_handler(signal.SIGTERM, ended.set)
    hearers: list[Callable[[str], None]] = [_say]

    def say(news: str) -> None:
        for hear in hearers:
            hear(news)

    running = make_office(store, broker, open_register, say)
    _say(f"the store is {store.place}")
    work = running.office.run() if page is None else page.run(running, store, hearers.append)
    tasks: list[asyncio.Future[object]] = [asyncio.ensure_future(work), asyncio.ensure_future(ended.wait())]
    if keeping is not None:
        tasks.append(asyncio.ensure_future(keeping.run(store, _say)))
    done, pending = await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
    for each in pending:
        each.cancel()
    await asyncio.gather(*pending, return_exceptions=True)
    for each in done:
        each.result()


def keep_days(given: Sequence[str]) -> dict[str, int]:
    """Read for how long each site keeps its jobs.

    Raises:
        UsageError: one is not in that form.
    """
    found = {}
    for each in given:
        site, _, days = each.rpartition("=")
        if not days.isdigit() or not 0 < int(days) < 100_000:
            raise UsageError(f"--keep {each!r}: expected a number of days, or SITE=DAYS")
        found[site or EVERY_SITE] = int(days)
    return found


def _say(news: str) -> None:
    click.echo(f"steadypoint office: {news}", err=True)
