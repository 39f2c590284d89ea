"""`steadypoint schema`: the JSON Schema of procedure files, and of descriptions of wire formats."""

import json

import click

from meterlink.described.schema import description_schema
from meterlink.procedure.schema import procedure_schema

_SCHEMAS = {"procedure": procedure_schema, "format": description_schema}


@click.command()
@click.argument("kind", metavar="[procedure|format]", type=click.Choice(list(_SCHEMAS)), default="procedure")
def command(kind: str) -> None:
    """Print the JSON Schema (2020-12) of procedure files, for editors that check while you type.

    With `format`, that of files which describe a wire format.
    """
    click.echo(json.dumps(_SCHEMAS[kind](), indent=2, ensure_ascii=False))
