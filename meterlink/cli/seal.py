"""`steadypoint seal`: seals a job that was left open."""

import time

import click

from meterlink.cli._key import ask_passphrase
from meterlink.home import home_folder
from meterlink.record.device_key import device_key
from meterlink.record.lock import recording
from meterlink.record.store import Store


@click.command("seal", short_help="Seal a job that was left open, or gone on with since.")
@click.argument("job")
def command(job: str) -> None:
    """Seal JOB as it is now with this device's key; what is added later stands visibly behind the seal."""
    folder = home_folder()
    with Store.open(folder) as store, recording(folder, store.job(job).id):
        events = store.seal(job, device_key(folder, ask_passphrase), time.time_ns())
    click.echo(f"Sealed job {job}, {events} events.")
