"""The option that says in which store to look, and the one way to open it."""

import click

from meterlink.home import home_folder
from meterlink.record.store import Store

store_option = click.option(
    "--store", "store_url", metavar="URL", help="Another store: sqlite:///PATH or postgresql://USER@HOST/DATABASE."
)
"""Gives the command `store_url`, None for the record of this machine."""


def open_store(store_url: str | None) -> Store:
    """Open the store that was asked for, else this machine's record.

    Raises:
        UsageError: the URL is none.
        RecordError: it cannot be opened.
    """
    return Store.open(home_folder()) if store_url is None else Store.at(store_url)
