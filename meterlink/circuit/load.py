"""Finds and reads circuit files: the one room of `circuit` that touches the disk."""

from collections.abc import Mapping
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path

from meterlink.circuit.parse import parse_circuit
from meterlink.circuit.parts import Circuit
from meterlink.errors import FileError
from meterlink.home import settings_folder
from meterlink.procedure.load import SourceText, read_file

_SUFFIXES = (".yaml", ".yml")


@dataclass(frozen=True, slots=True)
class LoadedCircuit:
    """A circuit, and the very text it was read from."""

    circuit: Circuit
    path: str
    source: str
    """The text, which is stored with the job."""


def load_circuit(name: str, beside: str | None = None) -> LoadedCircuit:
    """Load a circuit by the path of its file, or one that comes with Steadypoint by its id.

    Args:
        name: as a command or a procedure writes it.
        beside: the file that refers to it: paths go from its folder.

    Raises:
        FileError: there is no such file or id, or the file cannot be read as text.
        ProcedureError: the file is read, but not a sound circuit; names every error in it.
    """
    file = read_circuit(name, beside)
    return LoadedCircuit(parse_circuit(file.text, file.path), file.path, file.text)


def read_circuit(name: str, beside: str | None = None) -> SourceText:
    """Read the text of a circuit file, named as for `load_circuit`.

    Raises:
        FileError: there is no such file or id, or it is not a text of acceptable size.
    """
    folder = Path(beside).parent if beside else Path()
    known = circuits_by_id()
    is_path = Path(name).suffix in _SUFFIXES or Path(name).name != name
    try:
        found = folder / name if is_path or (name not in known and (folder / name).is_file()) else known.get(name)
        if found is None or not found.is_file():
            raise FileError(name, f"no such file, and no circuit of that id; known are {', '.join(known)}")
    except OSError as error:
        raise FileError(name, f"cannot be read: {error.strerror}") from error
    return read_file(found, "a circuit file")


def circuits_by_id() -> Mapping[str, Path]:
    """The circuits that come with Steadypoint, and the user's own in `circuits/` of the record's folder: id to file."""
    folders = (Path(str(files("meterlink_procedures"))) / "circuits", settings_folder() / "circuits")
    return {path.stem: path for folder in folders for path in sorted(folder.glob("*.yaml"))}
