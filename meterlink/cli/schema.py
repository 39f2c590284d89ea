"""`steadypoint schema`: the JSON Schema of procedure files."""

import json

import click

from meterlink.procedure.schema import procedure_schema


@click.command()
def command() -> None:
    """Print the JSON Schema (2020-12) of procedure files, for editors that check while you type."""
    click.echo(json.dumps(procedure_schema(), indent=2, ensure_ascii=False))
