"""`steadypoint schema`: the JSON Schema of procedures, wire formats, accuracy sheets, instruments and circuits."""

import json

import click

from meterlink.circuit.schema import circuit_schema
from meterlink.described.schema import description_schema
from meterlink.instruments.schema import instrument_schema, sheet_schema
from meterlink.procedure.schema import procedure_schema

_SCHEMAS = {
    "procedure": procedure_schema,
    "format": description_schema,
    "sheet": sheet_schema,
    "instrument": instrument_schema,
    "circuit": circuit_schema,
}


@click.command()
@click.argument(
    "kind",
    metavar="[procedure|format|sheet|instrument|circuit]",
    type=click.Choice(list(_SCHEMAS)),
    default="procedure",
)
def command(kind: str) -> None:
    """Print the JSON Schema (2020-12) of procedure files, for editors that check while you type.

    With `format`, that of files which describe a wire format; with `sheet`, of accuracy sheets; with `instrument`, of
    instruments in the register; with `circuit`, of circuits.
    """
    click.echo(json.dumps(_SCHEMAS[kind](), indent=2, ensure_ascii=False))
