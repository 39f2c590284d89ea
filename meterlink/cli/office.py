"""`steadypoint office`: take in what the crews send."""

import asyncio
import signal
from contextlib import suppress
from typing import TYPE_CHECKING

import click

from meterlink.cli._broker import BrokerChoice, broker_options
from meterlink.cli._store import store_option
from meterlink.home import home_folder
from meterlink.office.aside import refusals
from meterlink.record.store import Store
from meterlink.record.words import columns, rfc3339

if TYPE_CHECKING:
    from meterlink.relay.broker import Broker

_FILE = "office.sqlite3"


@click.command("office", short_help="Take in the crews' jobs over MQTT, checked, and keep them.")
@broker_options
@store_option
@click.option(
    "--open-register/--closed-register",
    default=None,
    help="Whether a device that is not enrolled is noted with the first key that comes. [default: open on a broker on "
    "this machine for as long as no device is enrolled]",
)
@click.option("--aside", is_flag=True, help="List what was refused and kept aside, newest first, and nothing else.")
def command(*, choice: BrokerChoice, store_url: str | None, open_register: bool | None, aside: bool) -> None:
    """Take in what the crews' relays send until Ctrl-C; each job's chain and seals are checked as they come.

    The store is office.sqlite3 in the home folder unless --store names another. Several offices may share one store on
    a server, and one broker.
    """
    url = store_url or f"sqlite:///{home_folder() / _FILE}"
    if aside:
        _list_refusals(url)
        return
    to = choice.broker()
    with Store.at(url) as store, suppress(KeyboardInterrupt):
        asyncio.run(_run(store, to, open_register))


def _list_refusals(url: str) -> None:
    with Store.at(url) as store:
        found = refusals(store)
    rows = [(rfc3339(each.utc_ns), each.device, each.job, f"{each.size} B", each.reason) for each in found]
    for line in columns([("WHEN", "DEVICE", "JOB", "SIZE", "WHY"), *rows]):
        click.echo(line)


async def _run(store: Store, broker: "Broker", open_register: bool | None) -> None:
    from meterlink.office.running import make_office  # noqa: PLC0415 - lazy, for a quick --help

    ended = asyncio.Event()
    with suppress(NotImplementedError):  # a platform without these signals in its event loop
        asyncio.get_running_loop().add_signal_handler(signal.SIGTERM, ended.set)
    office = make_office(store, broker, open_register, _say).office
    _say(f"the store is {store.place}")
    running = asyncio.ensure_future(office.run())
    waiting = asyncio.ensure_future(ended.wait())
    done, pending = await asyncio.wait([running, waiting], return_when=asyncio.FIRST_COMPLETED)
    for each in pending:
        each.cancel()
    await asyncio.gather(*pending, return_exceptions=True)
    for each in done:
        each.result()


def _say(news: str) -> None:
    click.echo(f"steadypoint office: {news}", err=True)
