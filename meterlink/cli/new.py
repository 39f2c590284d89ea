"""`steadypoint new`: begin a procedure from a template, from another one, or from a circuit."""

from importlib.resources import files
from pathlib import Path

import click
from pydantic import TypeAdapter, ValidationError

from meterlink.circuit.draft import draft
from meterlink.circuit.load import load_circuit
from meterlink.errors import FileError, UsageError
from meterlink.prepared import prepare
from meterlink.procedure.fields import Slug
from meterlink.procedure.load import LoadedProcedure, load_procedure, parse_procedure, read_file
from meterlink.procedure.renamed import renamed

_TEMPLATE = "three-steps"


@click.command("new", short_help="Begin a procedure from a template, another one, or a circuit.")
@click.argument("kind", metavar="procedure", type=click.Choice(["procedure"]))
@click.argument("name")
@click.option("-o", "--output", metavar="FILE", help="Write it here; NAME.yaml unless told. Never over another file.")
@click.option("--circuit", metavar="CIRCUIT", help="Propose a step for each test point of this circuit.")
@click.option("--from", "original", metavar="PROCEDURE", help="Copy this procedure, a file or a shipped one.")
def command(kind: str, name: str, output: str | None, circuit: str | None, original: str | None) -> None:
    """Begin the procedure NAME, at revision 1, with comments that say what may be written.

    Without an option it is one of three steps, which can be run at once: with `--circuit`, a step for each test point
    of a circuit, with computed limits; with `--from`, a copy with all comments. The file is checked before it is
    written; `steadypoint lint` says what a check with it would miss.

    Exit status: 0 written; 2 bad usage or a bad file.
    """
    if circuit is not None and original is not None:
        raise UsageError("--circuit and --from are both given; leave one out")
    _require_slug(name)
    path = Path(output or f"{name}.yaml")
    text = _text(name, path, circuit, original)
    prepare(LoadedProcedure(parse_procedure(text, str(path)), str(path), text))
    try:
        with path.open("x", encoding="utf-8", newline="") as file:
            file.write(text)
    except FileExistsError as error:
        raise FileError(str(path), "is there already, and is left as it is; give another name with -o") from error
    except OSError as error:
        raise FileError(str(path), f"cannot be written: {error.strerror}") from error
    click.echo(f"{path} is written. Next: steadypoint lint {path}")


def _require_slug(name: str) -> None:
    try:
        TypeAdapter(Slug).validate_python(name)
    except ValidationError as error:
        raise UsageError(
            f"NAME {name!r}: expected at most 64 letters, digits, '.', '_' and '-', a letter or digit first"
        ) from error


def _text(name: str, path: Path, circuit: str | None, original: str | None) -> str:
    """The text of the new procedure.

    Raises:
        UsageError, FileError, ProcedureError: it cannot be made.
    """
    template = Path(str(files("meterlink_procedures"))) / "templates" / f"{_TEMPLATE}.yaml"
    if original is not None:
        loaded = load_procedure(original)
        text, origin = loaded.source, loaded.path
    else:
        text, origin = read_file(template, "a template").text, str(template)
    if circuit is not None:
        text = draft(text, load_circuit(circuit, str(path)).circuit, circuit)
    try:
        return renamed(text, origin, name)
    except ValueError as error:
        raise UsageError(str(error)) from error
