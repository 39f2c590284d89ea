"""`steadypoint lint`: check procedures, profiles, accuracy sheets, instruments, circuits and wire formats."""

import json
import sys
from collections.abc import Iterator, Sequence

import click

from meterlink.circuit.audit import audit
from meterlink.circuit.load import load_circuit
from meterlink.circuit.parse import examine_circuit, is_circuit
from meterlink.described import parse as description
from meterlink.errors import FileError
from meterlink.instrument import Instrument
from meterlink.instruments.instrument_file import is_instrument
from meterlink.instruments.sheet_file import is_sheet
from meterlink.instruments.shelf import instrument_problems, load_sheet, sheet_problems
from meterlink.procedure import parse as procedure
from meterlink.procedure.lint import found
from meterlink.procedure.load import SourceText, read_text
from meterlink.procedure.problem import Problem, Severity
from meterlink.profile import is_profile
from meterlink.profiles import profile_problems
from meterlink.reading import Instant

_SHEET = "six-thousand-counts"
"""A common class of hand multimeter."""

Row = dict[str, str | int | None]


@click.command()
@click.argument("files", metavar="FILE...", nargs=-1, required=True)
@click.option(
    "--sheet", default=_SHEET, show_default=True, help="The meter whose uncertainty counts in what a procedure catches."
)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object a problem instead of one line.")
def command(files: tuple[str, ...], sheet: str, as_json: bool) -> None:
    """Check procedure files, or shipped procedures by their id, and print every problem with its place.

    A file whose first key is `format` is checked as the description of a wire format, one whose first key is `profile`
    as a meter profile, with `sheet` as an accuracy sheet, with `instrument` as an instrument of the register, with
    `circuit` as a circuit. A procedure with a circuit is held against it: which faults no step would catch, which steps
    would pass them wrongly, and what would close the gap.

    Ends with status 2 if there is an error; warnings alone end with 0.
    """
    rows = [row for file in files for row in _rows(file, sheet)]
    for row in rows:
        click.echo(json.dumps(row, ensure_ascii=False) if as_json else _line(row))
    if any(row["severity"] == Severity.ERROR for row in rows):
        sys.exit(2)


def _rows(file: str, sheet: str) -> Iterator[Row]:
    try:
        source = read_text(file)
    except FileError as error:
        yield _row(error.path, error.line, error.column, Severity.ERROR, error.message)
        return
    for each in _problems(source, sheet):
        yield _row(source.path, each.line, each.column, each.severity, each.message)


def _problems(source: SourceText, sheet: str) -> Sequence[Problem]:
    if is_profile(source.text):
        return profile_problems(source)
    if is_sheet(source.text):
        return sheet_problems(source)
    if is_instrument(source.text):
        return instrument_problems(source)
    if is_circuit(source.text):
        return examine_circuit(source.text, source.path).problems
    if description.is_description(source.text):
        return description.examine(source.text, source.path).problems
    return _procedure_problems(source, sheet)


def _procedure_problems(source: SourceText, sheet: str) -> Sequence[Problem]:
    """A procedure's own problems; where it is sound, also what its circuit says of it."""
    examined = procedure.examine(source.text, source.path)
    if examined.procedure is None or examined.procedure.circuit is None:
        return examined.problems
    places = procedure.unfolded_source(source.text, source.path)
    try:
        circuit = load_circuit(examined.procedure.circuit, source.path).circuit
    except FileError as error:
        why = f"the circuit cannot be used: {error.message} ({error.path})"
        return sorted([*examined.problems, Problem(*places.value_place(("circuit",)), why)])
    meter = Instrument(load_sheet(sheet), Instant(0, 0))
    return sorted([*examined.problems, *found(places, audit(examined.procedure, circuit, meter))])


def _row(file: str, line: int | None, column: int | None, severity: Severity, message: str) -> Row:
    return {"file": file, "line": line, "column": column, "severity": severity.value, "message": message}


def _line(row: Row) -> str:
    place = ":".join(str(part) for part in (row["file"], row["line"], row["column"]) if part is not None)
    return f"{place}: {row['severity']}: {row['message']}"
