"""`steadypoint backup`: a consistent copy of the record, in use or not."""

from pathlib import Path

import click

from meterlink.home import home_folder
from meterlink.record.backup import back_up
from meterlink.record.store import FILE_NAME


@click.command("backup", short_help="Copy the record, consistent even while a check runs.")
@click.argument("file", type=click.Path(dir_okay=False))
def command(file: str) -> None:
    """Copy the record to FILE, a new file; a check that is being recorded goes on meanwhile.

    Photos and the device's key lie beside the record, and are not in the copy.
    """
    folder = home_folder()
    back_up(folder / FILE_NAME, Path(file))
    click.echo(f"Copied {folder / FILE_NAME} to {file}.")
