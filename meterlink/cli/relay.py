"""`steadypoint relay`: send the office what it lacks of this record."""

import asyncio
from contextlib import suppress
from typing import TYPE_CHECKING

import click

from meterlink.cli._broker import broker_options
from meterlink.cli._key import ask_passphrase
from meterlink.home import home_folder
from meterlink.record.device_key import device_key
from meterlink.record.lock import only_one
from meterlink.record.store import Store

if TYPE_CHECKING:
    from collections.abc import Callable

    from meterlink.relay.broker import Broker


@click.command("relay", short_help="Send the office what it lacks of this record, over MQTT.")
@broker_options
@click.option("--once", is_flag=True, help="End when the office has everything.")
@click.option(
    "--patience",
    type=click.FloatRange(1),
    default=30.0,
    show_default=True,
    metavar="SECONDS",
    help="With --once: how long the office may say nothing.",
)
def command(*, broker: "Callable[[], Broker]", once: bool, patience: float) -> None:
    """Send the office every job of this record, as it grows, until Ctrl-C.

    Nothing counts as sent before the office itself acknowledges it: neither a lost network nor a broker that forgets
    loses anything. Exit status with --once: 0 the office has everything, 2 it does not.
    """
    from meterlink.relay.relay import relaying  # noqa: PLC0415 - lazy, for a quick --help

    folder, to = home_folder(), broker()
    key = device_key(folder, ask_passphrase)
    with (
        only_one(folder, "relay", "a relay of this record is at work already"),
        Store.open(folder) as store,
        suppress(KeyboardInterrupt),
    ):
        asyncio.run(relaying(folder, store, key.public_key.hex(), to, _say, once=once, patience_s=patience))


def _say(news: str) -> None:
    click.echo(f"steadypoint relay: {news}", err=True)
