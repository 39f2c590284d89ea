"""`steadypoint keys`: whose seals are known here."""

import click

from meterlink.cli._key import ask_passphrase
from meterlink.home import home_folder
from meterlink.record.device_key import OWN, device_key, known_keys, public_pem
from meterlink.record.seal import fingerprint
from meterlink.record.words import columns


@click.command("keys", short_help="List the keys whose seals are known here, or print this device's.")
@click.option("--own", is_flag=True, help="Print this device's public key, a PEM file to give to the office.")
def command(own: bool) -> None:
    """List the known keys, each by the name of its file in the folder `keys` beside the record, with its fingerprint.

    To know the key of another device, put its PEM file there under a name of your choice.
    """
    folder = home_folder()
    if own:
        click.echo(public_pem(device_key(folder, ask_passphrase).public_key.hex()), nl=False)
        return
    known = known_keys(folder)
    if not known:
        click.echo("No key is known yet; this device's is made with its first check.", err=True)
        return
    rows = [(name if name != fingerprint(key) else "(from an import)", fingerprint(key)) for key, name in known.items()]
    rows.sort(key=lambda row: (row[0] != OWN, row))
    click.echo("\n".join(columns([("KEY", "FINGERPRINT"), *rows])))
