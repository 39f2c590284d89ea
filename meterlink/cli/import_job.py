"""`steadypoint import`: a job from another machine."""

from pathlib import Path

import click

from meterlink.home import home_folder
from meterlink.record.archive import open_archive
from meterlink.record.device_key import known_keys
from meterlink.record.store import Store
from meterlink.record.take_in import take_in


@click.command("import", short_help="Take a job from an archive into the record.")
@click.argument("file", type=click.Path(exists=True, dir_okay=False))
def command(file: str) -> None:
    """Take the job in FILE, an archive that `steadypoint export` wrote, into the record.

    Its chain and seal are checked first; a job that is there already is never overwritten.
    """
    folder = home_folder()
    with open_archive(Path(file)) as archive, Store.open(folder) as store:
        proof = take_in(archive, store, folder, known_keys(folder))
    click.echo("\n".join([f"Imported job {proof.job}, {proof.events} events.", *proof.facts]))
