"""Asks for the passphrase of the device's key."""

import sys

import click


def ask_passphrase() -> bytes | None:
    """Return what the user types, unseen; None where there is no terminal."""
    if not sys.stdin.isatty():
        return None
    text: str = click.prompt("Passphrase of this device's key", hide_input=True, err=True)
    return text.encode()
