"""Files with a secret in them: read only where nobody but the owner can."""

import os
import stat
from pathlib import Path

from meterlink.errors import FileError


def read_private(path: Path, most: int) -> bytes:
    """Read the beginning of a file.

    Args:
        path: the file.
        most: bytes.

    Raises:
        FileError: it cannot be read, or others than its owner may read or write it.
    """
    try:
        with path.open("rb") as file:
            mode = os.fstat(file.fileno()).st_mode
            data = file.read(most)
    except OSError as error:
        raise FileError(str(path), error.strerror or "cannot be read") from error
    if os.name == "posix" and mode & (stat.S_IRWXG | stat.S_IRWXO):
        raise FileError(str(path), f"others than its owner may read or write it; say: chmod 600 {path}")
    return data
