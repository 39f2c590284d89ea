"""`steadypoint relay`: send the office what it lacks of this record."""

import asyncio
import signal
import sys
import threading
from collections.abc import Callable
from contextlib import suppress

import click

from meterlink.cli._broker import BrokerChoice, broker_options
from meterlink.cli._key import ask_passphrase
from meterlink.home import home_folder
from meterlink.record.device_key import own_public_key
from meterlink.record.lock import only_one
from meterlink.record.store import Store

PATIENCE_S = 30.0


@click.command("relay", short_help="Send the office what it lacks of this record, over MQTT.")
@broker_options
@click.option("--once", is_flag=True, help="End when the office has everything.")
@click.option(
    "--patience",
    type=click.FloatRange(1),
    default=PATIENCE_S,
    show_default=True,
    metavar="SECONDS",
    help="With --once: how long the office may say nothing.",
)
@click.option("--beside-check", is_flag=True, hidden=True, help="When standard input ends, go on as with --once.")
def command(*, choice: BrokerChoice, once: bool, patience: float, beside_check: bool) -> None:
    """Send the office every job of this record, as it grows, until Ctrl-C.

    Nothing counts as sent before the office itself acknowledges it: neither a lost network nor a broker that forgets
    loses anything. Exit status with --once: 0 the office has everything, 2 it does not.
    """
    from meterlink.relay.relay import relaying  # noqa: PLC0415 - lazy, for a quick --help

    folder, broker = home_folder(), choice.broker()
    key = own_public_key(folder, ask_passphrase)
    with (
        only_one(folder, "relay", "a relay of this record is at work already"),
        Store.open(folder) as store,
        suppress(KeyboardInterrupt, asyncio.CancelledError),
    ):
        on_start = _finish_with_input if beside_check else _stop_on_signal
        work = relaying(folder, store, key, broker, _say, once=once, patience_s=patience, on_start=on_start)
        with asyncio.Runner(loop_factory=asyncio.SelectorEventLoop) as runner:  # the kind that aiomqtt needs
            runner.run(work)


def _stop_on_signal(finish: Callable[[], None]) -> None:
    task = asyncio.current_task()
    assert task is not None  # noqa: S101 - called from the relay's own task
    with suppress(NotImplementedError):  # a platform without these signals in its event loop
        asyncio.get_running_loop().add_signal_handler(signal.SIGTERM, task.cancel)


def _finish_with_input(finish: Callable[[], None]) -> None:
    loop = asyncio.get_running_loop()
    with suppress(NotImplementedError):
        loop.add_signal_handler(signal.SIGINT, lambda: None)  # Ctrl-C is for the check, which ends our input then

    def wait() -> None:
        with suppress(OSError, ValueError):
            sys.stdin.buffer.read()
        with suppress(RuntimeError):  # the relay has ended
            loop.call_soon_threadsafe(finish)

    threading.Thread(target=wait, name="input", daemon=True).start()


def _say(news: str) -> None:
    click.echo(f"steadypoint relay: {news}", err=True)
