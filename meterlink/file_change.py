"""Changes a whole file at once: a crash leaves the old one or the new one."""

import os
import tempfile
from contextlib import suppress
from pathlib import Path


def replace_text(path: Path, text: str) -> None:
    """Write a text in the place of a file, or where there is none.

    Args:
        path: the file; its folder exists.
        text: kept as UTF-8, its line ends as they are.

    Raises:
        OSError: it cannot be written; the old file is as it was.
    """
    replace_bytes(path, text.encode())


def replace_bytes(path: Path, data: bytes) -> None:
    """Write bytes in the place of a file, or where there is none.

    Args:
        path: the file; its folder exists. It is for its owner alone (mode 0600) from then on.
        data: what it holds from then on.

    Raises:
        OSError: it cannot be written; the old file is as it was.
    """
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        Path(name).replace(path)
    except BaseException:
        with suppress(OSError):
            Path(name).unlink()
        raise
