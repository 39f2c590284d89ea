"""The option that says in which store to look, and the one way to open it."""

from pathlib import Path

import click

from meterlink.home import home_folder
from meterlink.record.store import Store

store_option = click.option(
    "--store", "store_url", metavar="URL", help="Another store: sqlite:///PATH or postgresql://USER@HOST/DATABASE."
)
"""Gives the command `store_url`, None for the record of this machine."""


_OFFICE = "office.sqlite3"


def office_file() -> Path:
    """Where the office's store lies unless another is asked for: beside the record."""
    return home_folder() / _OFFICE


def office_url(store_url: str | None) -> str:
    """Return the URL of the office's store: the one asked for, else that file's."""
    return store_url or f"sqlite:///{office_file()}"


def open_store(store_url: str | None) -> Store:
    """Open the store that was asked for, else this machine's record.

    Raises:
        UsageError: the URL is none.
        RecordError: it cannot be opened.
    """
    return Store.open(home_folder()) if store_url is None else Store.at(store_url)
