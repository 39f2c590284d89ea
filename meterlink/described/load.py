"""Reads descriptions of wire formats: the one room of `described` that opens files."""

from dataclasses import replace
from pathlib import Path

from meterlink.described.parse import parse_description
from meterlink.driver import Format
from meterlink.errors import FileError
from meterlink.procedure.load import read_file


def load_description(path: Path) -> Format:
    """Read the wire format that a file describes.

    Raises:
        FileError: there is no such file, or it cannot be read as text.
        ProcedureError: the file is read, but not a sound description; names every error in it.
    """
    if path.suffix == ".toml":
        raise FileError(str(path), "is TOML; a wire format is described in YAML, see DEVELOPERS.md")
    file = read_file(path, "a description of a wire format")
    return replace(parse_description(file.text, file.path), description=file.text)
