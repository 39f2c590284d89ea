"""The folder where the record, the keys and the settings live."""

import os
import tempfile
from pathlib import Path

import platformdirs

from meterlink.errors import RecordError

VARIABLE = "STEADYPOINT_HOME"


def home_folder() -> Path:
    """Return the folder, made if need be: `STEADYPOINT_HOME`, else the place the system keeps for a user's data.

    A folder made here can be entered by its owner only (mode 0700).

    Raises:
        RecordError: it cannot be made, or nothing can be written in it.
    """
    folder = _chosen()
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        # Permission bits do not tell of a read-only medium or a full disk; writing does.
        with tempfile.TemporaryFile(dir=folder):
            pass
    except OSError as error:
        raise RecordError(
            f"{folder}: cannot keep the record here ({error.strerror}); set {VARIABLE} to a folder you can write to"
        ) from error
    return folder.absolute()


def formats_folder() -> Path:
    """Return the folder in which the user's own descriptions of wire formats are found by name; it may not be there."""
    return _chosen() / "formats"


def procedures_folder() -> Path:
    """Return the folder in which the pages find the user's own procedures; it may not be there."""
    return _chosen() / "procedures"


def settings_folder() -> Path:
    """Return the folder of the user's profiles and known meters, for reading; it may not be there."""
    return _chosen().absolute()


def _chosen() -> Path:
    chosen = os.environ.get(VARIABLE)
    return Path(chosen).expanduser() if chosen else platformdirs.user_data_path("steadypoint", appauthor=False)
