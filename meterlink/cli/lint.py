"""`steadypoint lint`: check procedures, profiles, accuracy sheets, instruments and descriptions of wire formats."""

import json
import sys
from collections.abc import Iterator, Sequence

import click

from meterlink.described import parse as description
from meterlink.errors import FileError
from meterlink.instruments.instrument_file import is_instrument
from meterlink.instruments.sheet_file import is_sheet
from meterlink.instruments.shelf import instrument_problems, sheet_problems
from meterlink.procedure import parse as procedure
from meterlink.procedure.load import SourceText, read_text
from meterlink.procedure.problem import Problem, Severity
from meterlink.profile import is_profile
from meterlink.profiles import profile_problems

Row = dict[str, str | int | None]


@click.command()
@click.argument("files", metavar="FILE...", nargs=-1, required=True)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object a problem instead of one line.")
def command(files: tuple[str, ...], as_json: bool) -> None:
    """Check procedure files, or shipped procedures by their id, and print every problem with its place.

    A file whose first key is `format` is checked as the description of a wire format, one whose first key is `profile`
    as a meter profile, with `sheet` as an accuracy sheet, with `instrument` as an instrument of the register.

    Ends with status 2 if there is an error; warnings alone end with 0.
    """
    rows = [row for file in files for row in _rows(file)]
    for row in rows:
        click.echo(json.dumps(row, ensure_ascii=False) if as_json else _line(row))
    if any(row["severity"] == Severity.ERROR for row in rows):
        sys.exit(2)


def _rows(file: str) -> Iterator[Row]:
    try:
        source = read_text(file)
    except FileError as error:
        yield _row(error.path, error.line, error.column, Severity.ERROR, error.message)
        return
    for each in _problems(source):
        yield _row(source.path, each.line, each.column, each.severity, each.message)


def _problems(source: SourceText) -> Sequence[Problem]:
    if is_profile(source.text):
        return profile_problems(source)
    if is_sheet(source.text):
        return sheet_problems(source)
    if is_instrument(source.text):
        return instrument_problems(source)
    examine = description.examine if description.is_description(source.text) else procedure.examine
    return examine(source.text, source.path).problems


def _row(file: str, line: int | None, column: int | None, severity: Severity, message: str) -> Row:
    return {"file": file, "line": line, "column": column, "severity": severity.value, "message": message}


def _line(row: Row) -> str:
    place = ":".join(str(part) for part in (row["file"], row["line"], row["column"]) if part is not None)
    return f"{place}: {row['severity']}: {row['message']}"
