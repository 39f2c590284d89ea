"""The log of logins and refusals: JSON lines in a file for its owner alone, bounded, and without secrets.

Each line has `utc`, `what`, `address` and `who` (null where nobody is logged in), and what else belongs to it. What was
typed as a name is written only where there is an account of that name: people type passwords into the wrong field.
"""

import json
import os
from collections.abc import Callable
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path

FILE_NAME = "access.log"
MOST_BYTES = 4 * 2**20
"""A file that has grown beyond that is moved on, from `access.log` to `.1`, from there to `.2` and so on."""
KEPT = 4
"""Older files. A flood of refusals fills no disk; it can only push old lines out."""
_LONGEST = 300

Complain = Callable[[str], None]


class Journal:
    """Appends to the log."""

    def __init__(self, path: Path, complain: Complain = lambda words: None) -> None:
        """Be ready.

        Args:
            path: the file; its folder exists.
            complain: told once where the log cannot be written; the refusals hold nevertheless.
        """
        self._path, self._complain = path, complain
        self._complained = False

    def note(self, what: str, *, address: str, who: str | None = None, **more: str | int) -> None:
        """Append a line. Texts are cut at 300 characters, and control characters escaped, as JSON does."""
        utc = datetime.now(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
        cut = {key: value[:_LONGEST] if isinstance(value, str) else value for key, value in more.items()}
        line = json.dumps({"utc": utc, "what": what, "address": address, "who": who, **cut})
        try:
            self._append(f"{line}\n".encode())
        except OSError as error:
            if not self._complained:
                self._complained = True
                self._complain(f"{self._path}: refusals cannot be logged ({error.strerror})")

    def _append(self, data: bytes) -> None:
        handle = os.open(self._path, os.O_WRONLY | os.O_APPEND | os.O_CREAT, 0o600)
        try:
            os.write(handle, data)  # in one piece: several processes may append
            full = os.fstat(handle).st_size > MOST_BYTES
        finally:
            os.close(handle)
        if full:
            self._move_on()

    def _move_on(self) -> None:
        for number in range(KEPT - 1, -1, -1):
            older = self._path.with_name(f"{self._path.name}.{number + 1}")
            newer = self._path.with_name(f"{self._path.name}.{number}") if number else self._path
            with suppress(FileNotFoundError):  # another process may have been quicker
                newer.replace(older)
