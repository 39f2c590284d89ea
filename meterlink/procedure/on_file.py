"""Compares a procedure that a job was run by with the one of that name that comes with this program."""

import hashlib

from meterlink.errors import FileError
from meterlink.procedure.load import read_text, shipped


def on_file(name: str, revision: str, source: str) -> str:
    """Say whether a procedure is the one on file.

    Args:
        name: of the procedure.
        revision: that the job was run by.
        source: its text, as the record kept it.
    """
    path = shipped().get(name)
    if path is None:
        return f"Procedure {name} revision {revision}: its text is in the record; none of that name is shipped."
    try:
        same = hashlib.sha256(read_text(path).text.encode()).digest() == hashlib.sha256(source.encode()).digest()
    except FileError:
        same = False
    if same:
        return f"Procedure {name} revision {revision} is the one on file."
    return f"Procedure {name} revision {revision} is not the one on file today; the record keeps the text of then."
