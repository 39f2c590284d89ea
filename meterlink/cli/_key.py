"""The device's key for commands that seal: from its file, opened with a passphrase where it has one."""

import os
import sys
from pathlib import Path

import click

from meterlink.record.device_key import DeviceKey, device_key

PASSPHRASE = "STEADYPOINT_KEY_PASSPHRASE"  # noqa: S105 - the name of an environment variable


def own_key(folder: Path) -> DeviceKey:
    """Return the device's key, made where there is none.

    Args:
        folder: the home folder.

    Raises:
        RecordError: it cannot be read or kept.
    """
    given = os.environ.get(PASSPHRASE)
    return device_key(folder, given.encode() if given else None, _ask)


def _ask() -> bytes | None:
    if not sys.stdin.isatty():
        return None
    text: str = click.prompt("Passphrase of this device's key", hide_input=True, err=True)
    return text.encode()
