"""What `account` and `enrol` share: the store of accounts, and passwords that are never on a command line."""

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import click

from meterlink.access.passwords import LONGEST, trouble_with
from meterlink.access.private_file import read_private
from meterlink.access.roles import Role
from meterlink.errors import FileError, UsageError
from meterlink.home import home_folder

if TYPE_CHECKING:
    from meterlink.access.store import SqlAccessStore

role_choice = click.Choice([role.value for role in Role])

accounts_option = click.option(
    "--accounts", metavar="URL", help="Database of the accounts; a file of its own beside the record unless told."
)
password_file_option = click.option(
    "--password-file",
    metavar="FILE",
    help="Read the password from there, its first line; - is standard input. It is asked for otherwise.",
)


@contextmanager
def accounts_at(url: str | None) -> "Iterator[SqlAccessStore]":
    """Open the store of accounts for as long as the block runs."""
    from meterlink.access.store import access_store  # noqa: PLC0415 - lazy: the database library is slow to load

    with access_store(home_folder(), url) as store:
        yield store


def new_password(name: str, file: str | None) -> str:
    """Return a new password, asked for twice or read from a file.

    Raises:
        UsageError: it is not taken, or there is nobody to ask.
        FileError: the file cannot be read, or others than its owner may read it.
    """
    password = _asked() if file is None else _read(file)
    if trouble := trouble_with(password, name):
        raise UsageError(trouble)
    return password


def _asked() -> str:
    if not sys.stdin.isatty():
        raise UsageError(
            "there is no terminal to ask for the password; give --password-file FILE, or - for standard input"
        )
    text: str = click.prompt("Password", hide_input=True, confirmation_prompt="Once more", err=True)
    return text


def _read(name: str) -> str:
    most = 4 * LONGEST + 2
    data = sys.stdin.buffer.readline(most) if name == "-" else read_private(Path(name), most)
    try:
        return data.partition(b"\n")[0].decode().rstrip("\r")
    except UnicodeDecodeError as error:
        raise FileError(name, "expected UTF-8") from error
