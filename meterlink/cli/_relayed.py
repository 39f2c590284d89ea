"""A relay beside a check: a process of its own, so that a slow link or a fault in it never holds the check up."""

import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from functools import wraps
from pathlib import Path
from typing import Any

import click

from meterlink.cli._broker import BrokerChoice, broker_options

_PATIENCE_S = 5.0
"""How long the office may say nothing once the check is over."""
_LOG = "relay.log"


def relay_option(command: Callable[..., None]) -> Callable[..., None]:
    """Add `--relay` and the broker's options to a command that runs a check, which gets `relay`, None for none."""

    @click.option("--relay", is_flag=True, help="Send the job to the office as it grows; see: steadypoint relay.")
    @broker_options
    @wraps(command)
    def with_relay(*args: Any, relay: bool, choice: BrokerChoice, **kwargs: Any) -> None:
        command(*args, relay=choice if relay else None, **kwargs)

    return with_relay


@contextmanager
def relayed(choice: BrokerChoice | None, folder: Path) -> Iterator[None]:
    """Have a relay at work while the block runs, and for a moment after it; without a choice there is none.

    What it says goes to `relay.log` in the home folder: the screen is the check's.

    Raises:
        UsageError, FileError: the broker cannot be used; before anything is started.
    """
    if choice is None:
        yield
        return
    choice.broker()
    log = folder / _LOG
    command = [sys.executable, "-m", "meterlink", "relay", *choice.options, "--beside-check"]
    with log.open("wb") as file:
        relay = subprocess.Popen(  # noqa: S603 - ourselves
            [*command, "--patience", str(_PATIENCE_S)], stdin=subprocess.PIPE, stdout=file, stderr=file
        )
    try:
        yield
    finally:
        with suppress(OSError):
            assert relay.stdin is not None  # noqa: S101 - it is a pipe
            relay.stdin.close()
        _await(relay, log)


def _await(relay: "subprocess.Popen[bytes]", log: Path) -> None:
    try:
        status = relay.wait()  # it has a patience of its own
    except KeyboardInterrupt:
        relay.kill()
        status = relay.wait()
    if status:
        said = log.read_text(encoding="utf-8", errors="replace").splitlines()[-1:]
        click.echo(f"Not all is at the office: {''.join(said)}\nSend it with: steadypoint relay --once", err=True)
    else:
        click.echo("The office has everything.", err=True)
