"""A consistent copy of a record, whoever writes in it meanwhile."""

import sqlite3
from contextlib import closing
from pathlib import Path

from meterlink.errors import RecordError


def back_up(source: Path, target: Path) -> None:
    """Copy a record with SQLite's online backup (https://www.sqlite.org/backup.html); the recorder is not held up.

    The copy is one plain file, without a log beside it, so that it can be read from a medium that cannot be written.

    Args:
        source: the record's file.
        target: the copy; its folder exists, the file does not.

    Raises:
        RecordError: there is a file of that name, or it cannot be written; a half copy is taken away again.
    """
    if not source.is_file():
        raise RecordError(f"{source}: there is no record here yet")
    try:
        target.open("xb").close()
    except FileExistsError as error:
        raise RecordError(f"{target}: there is a file of that name already; nothing is overwritten") from error
    except OSError as error:
        raise RecordError(f"{target}: cannot be written ({error.strerror})") from error
    try:
        with closing(sqlite3.connect(source)) as record, closing(sqlite3.connect(target)) as copy:
            record.backup(copy)
            copy.execute("PRAGMA journal_mode = DELETE")
            (finding,) = copy.execute("PRAGMA quick_check").fetchone()
    except sqlite3.Error as error:
        target.unlink()
        raise RecordError(f"{target}: the copy failed ({error}); it was taken away again") from error
    if finding != "ok":
        target.unlink()
        raise RecordError(f"{source}: the record is damaged ({finding}); no copy was made")


def free_name(path: Path) -> Path:
    """Return the name, or one like it that no file has: `record-2.sqlite3`."""
    number, free = 1, path
    while free.exists():
        number += 1
        free = path.with_stem(f"{path.stem}-{number}")
    return free
