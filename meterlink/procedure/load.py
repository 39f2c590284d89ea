"""Find and read procedure files: the one room of `procedure` that touches the disk."""

import stat
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path

from meterlink.errors import FileError
from meterlink.procedure.model import Procedure
from meterlink.procedure.parse import parse_procedure

__all__ = [
    "MAX_BYTES",
    "LoadedProcedure",
    "SourceText",
    "load_procedure",
    "parse_procedure",
    "read_file",
    "read_text",
    "shipped",
]

MAX_BYTES = 512 * 1024
"""A procedure of a thousand steps fits."""


@dataclass(frozen=True, slots=True)
class SourceText:
    """A procedure file as it lies on disk."""

    path: str
    text: str
    """The file's text as it stands, line ends too; only a byte order mark in front is left out."""


@dataclass(frozen=True, slots=True)
class LoadedProcedure:
    """A procedure, and the very text it was read from."""

    procedure: Procedure
    path: str
    source: str
    """The text, which is stored with the job; `parse_procedure` makes the same procedure of it again."""


def load_procedure(name: str | Path) -> LoadedProcedure:
    """Load a procedure by the path of its file, or one that comes with Steadypoint by its id.

    Raises:
        FileError: there is no such file or id, or the file cannot be read as text.
        ProcedureError: the file is read, but not a sound procedure; names every error in it.
    """
    file = read_text(name)
    return LoadedProcedure(parse_procedure(file.text, file.path), file.path, file.text)


def shipped() -> dict[str, Path]:
    """The procedures that come with Steadypoint: id to file."""
    folder = Path(str(files("meterlink_procedures")))
    return {path.stem: path for path in sorted(folder.glob("*.yaml"))}


def read_text(name: str | Path) -> SourceText:
    """Read the text of a procedure file, named as for `load_procedure`. A file that is too large is not read at all.

    Raises:
        FileError: there is no such file or id, or it is not a text of acceptable size.
    """
    path = Path(name)
    try:
        if not path.is_file():
            path = _shipped_or(path)
    except OSError as error:
        raise FileError(str(path), f"cannot be read: {error.strerror}") from error
    return read_file(path, "a procedure file")


def read_file(path: Path, what: str) -> SourceText:
    """Read the text of a file that errors shall call `what`. A file that is too large is not read at all.

    Raises:
        FileError: it is not a text of acceptable size, or cannot be read.
    """
    try:
        status = path.stat()
        if not stat.S_ISREG(status.st_mode):
            raise FileError(str(path), f"is not a file; expected {what}")
        if status.st_size > MAX_BYTES:
            raise FileError(str(path), f"has {status.st_size} bytes; {what} has at most {MAX_BYTES}")
        data = path.read_bytes()
    except OSError as error:
        raise FileError(str(path), f"cannot be read: {error.strerror}") from error
    return SourceText(str(path), _decode(data, str(path)))


def _shipped_or(path: Path) -> Path:
    known = shipped()
    if str(path) in known:
        return known[str(path)]
    if path.exists():
        return path
    raise FileError(str(path), f"no such file, and no shipped procedure of that id; shipped: {', '.join(known)}")


def _decode(data: bytes, path: str) -> str:
    try:
        return data.decode().removeprefix("\ufeff")
    except UnicodeDecodeError as error:
        line_start = data.rfind(b"\n", 0, error.start) + 1
        line = data.count(b"\n", 0, error.start) + 1
        column = len(data[line_start : error.start].decode()) + 1
        message = f"byte 0x{data[error.start]:02x} is not UTF-8 text; save the file as UTF-8"
        raise FileError(path, message, line, column) from error
