"""The record file: opened so that a commit survives a power cut, checked before use, never repaired or replaced."""

import sqlite3
from pathlib import Path

from sqlalchemy import URL, Connection, Engine, create_engine, event

from meterlink.errors import RecordError
from meterlink.record import schema
from meterlink.record.backup import back_up, free_name
from meterlink.record.transaction import DAMAGED, explained, writing


def open_file(path: Path, busy_wait_s: float) -> Engine:
    """Open the file, or lay it out where there is none, check it, and bring it to the newest layout.

    A file of an older layout is copied first: `record.layout-2.sqlite3` beside it.

    Args:
        path: the file; its folder exists.
        busy_wait_s: how long to wait for another writer, in seconds.

    Raises:
        RecordError: it is damaged, is another program's, comes from a newer Steadypoint, cannot be written, or lies
            where write-ahead logging does not work. The file is left as it was.
    """
    _refuse_orphaned_log(path)
    engine = create_engine(URL.create("sqlite", database=str(path)), connect_args={"timeout": busy_wait_s})
    event.listen(engine, "connect", _set_up)
    try:
        with explained(path, "cannot be opened"):
            with engine.connect() as connection:
                connection.exec_driver_sql("BEGIN")  # one view for the whole check, whoever lays the file out meanwhile
                layout = _check(connection, path)
                connection.rollback()
                _write_ahead(connection, path)
            if layout < schema.VERSION:
                with writing(engine) as connection:
                    _bring_up(connection, path)
    except RecordError:
        engine.dispose()
        raise
    return engine


def _set_up(connection: sqlite3.Connection, _: object) -> None:
    connection.isolation_level = None  # the driver begins nothing by itself; `writing` does
    connection.execute("PRAGMA synchronous = FULL")  # in write-ahead mode, NORMAL may lose the last commits
    connection.execute("PRAGMA fullfsync = ON")  # macOS: a plain fsync stops at the drive's cache
    connection.execute("PRAGMA foreign_keys = ON")
    # In KiB: what one transaction of a busy office changes must fit, else SQLite writes and reads the same pages again
    # and again (measured with 20,000 lines: 984 bytes written a line with the 2 MiB that are usual, 682 with these).
    connection.execute("PRAGMA cache_size = -32768")


def _refuse_orphaned_log(path: Path) -> None:
    log = path.with_name(path.name + "-wal")
    # SQLite deletes a write-ahead log whose file is missing or empty, and with it what only the log holds.
    if _size(log) and not _size(path):
        raise RecordError(
            f"{path}: the file is missing or empty, but {log.name} beside it still holds entries; "
            "bring the file back, or move its log aside"
        )


def _size(path: Path) -> int:
    try:
        return path.stat().st_size
    except FileNotFoundError:
        return 0


def _bring_up(connection: Connection, path: Path) -> None:
    from meterlink.record.migrate import migrate  # noqa: PLC0415 - Alembic takes a while, and is seldom wanted

    layout = _check(connection, path)  # another program may have been quicker
    if 0 < layout < schema.VERSION:
        back_up(path, free_name(path.with_stem(f"{path.stem}.layout-{layout}")))
    if layout < schema.VERSION:
        migrate(connection, layout)


def _check(connection: Connection, path: Path) -> int:
    """Return the file's layout, 0 for a new and empty file; raise where it cannot be used."""
    identity = _pragma(connection, "application_id")
    version = _pragma(connection, "user_version")
    if identity == 0 and not connection.exec_driver_sql("SELECT count(*) FROM sqlite_master").scalar_one():
        return 0
    if identity != schema.APPLICATION_ID:
        raise RecordError(f"{path}: this is another program's database, not a record; it was left as it is")
    if not isinstance(version, int) or not 1 <= version <= schema.VERSION:
        raise RecordError(
            f"{path}: this record has layout {version}; this Steadypoint knows layout {schema.VERSION} and would "
            "misread it. Use a newer Steadypoint; the file was left as it is"
        )
    finding = _pragma(connection, "quick_check")
    if finding != "ok":
        raise RecordError(f"{path}: {DAMAGED} ({finding})")
    return version


def _write_ahead(connection: Connection, path: Path) -> None:
    # Asked for and read back: where it cannot be had, SQLite keeps the old mode without an error.
    mode = _pragma(connection, "journal_mode = WAL")
    if mode != "wal":
        raise RecordError(
            f"{path}: this folder cannot hold a live record (journal mode is {mode!r}, 'wal' is needed), as on a "
            "network share; use a folder on a local disk"
        )


def _pragma(connection: Connection, text: str) -> object:
    return connection.exec_driver_sql(f"PRAGMA {text}").scalars().first()
