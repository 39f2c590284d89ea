"""`steadypoint print`: the paper version of a procedure, for the pouch."""

from datetime import date
from pathlib import Path

import click

from meterlink.errors import FileError, UsageError
from meterlink.instruments.instrument_file import parse_day
from meterlink.paper.procedure_sheet import procedure_sheet
from meterlink.paper.typeset import Paper, typeset
from meterlink.prepared import prepare
from meterlink.procedure.load import load_procedure


@click.command("print", short_help="Print a procedure for the pouch, as PDF.")
@click.argument("procedure")
@click.option("-o", "--output", metavar="FILE.pdf", required=True, help="Write it here, over a file that is there.")
@click.option("--paper", type=click.Choice([each.value for each in Paper]), default="a4", show_default=True)
@click.option("--date", "day", metavar="DAY", help="The day of issue; then the file is PDF/A-2a as well.")
def command(procedure: str, output: str, paper: str, day: str | None) -> None:
    """Write PROCEDURE, a file or the name of a shipped one, as a PDF to be filled in by hand.

    Cautions first, then the steps in order with their limits and where these come from, boxes for the readings, and the
    circuit. The same file gives the same PDF, byte for byte; the text's SHA-256, of which the page shows the beginning,
    tells versions apart.

    Exit status: 0 written; 2 bad usage or a bad file.
    """
    path = Path(output)
    if path.suffix.lower() != ".pdf":
        raise UsageError(f"--output {output}: expected a name that ends in .pdf")
    pdf = typeset("procedure", procedure_sheet(prepare(load_procedure(procedure))), Paper(paper), _day(day))
    try:
        path.write_bytes(pdf)
    except OSError as error:
        raise FileError(output, f"cannot be written: {error.strerror}") from error


def _day(text: str | None) -> date | None:
    try:
        return None if text is None else parse_day(text)
    except ValueError as error:
        raise UsageError(f"--date {error}") from error
