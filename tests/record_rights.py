"""Folders that the test may not write in, whoever runs it."""

import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

_NOBODY = 65534


@contextmanager
def public_folder() -> Iterator[Path]:
    """Return a new folder that any user may enter, unlike pytest's own."""
    folder = Path(tempfile.mkdtemp())
    folder.chmod(0o755)
    try:
        yield folder
    finally:
        shutil.rmtree(folder)


@contextmanager
def read_only(folder: Path) -> Iterator[None]:
    """Take away the right to write in a folder; root, whom no permission bit stops, becomes nobody meanwhile."""
    user = os.geteuid()
    folder.chmod(0o555)
    if user == 0:
        os.seteuid(_NOBODY)
    try:
        yield
    finally:
        os.seteuid(user)
        folder.chmod(0o755)
