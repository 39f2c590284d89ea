"""Transactions of a record, in a file or on a server, and their errors in words."""

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager

from sqlalchemy import Connection, Engine
from sqlalchemy.exc import DataError, DBAPIError, IntegrityError

from meterlink.errors import RecordError, RefusedRowError

UNWRITABLE = "the file or its folder cannot be written; give yourself the right to write there, or copy the record"
DAMAGED = (
    "the file is damaged or is no record; nothing in it was changed. "
    "Move it aside together with any -wal and -shm file beside it, keep them, and start again with a new record"
)
_IN_A_FILE = {
    sqlite3.SQLITE_FULL: "the disk is full; free some space",
    sqlite3.SQLITE_BUSY: "another program holds the file locked; close it",
    sqlite3.SQLITE_LOCKED: "another program holds the file locked; close it",
    sqlite3.SQLITE_READONLY: UNWRITABLE,
    sqlite3.SQLITE_CANTOPEN: UNWRITABLE,
    sqlite3.SQLITE_PERM: UNWRITABLE,
    sqlite3.SQLITE_CORRUPT: DAMAGED,
    sqlite3.SQLITE_NOTADB: DAMAGED,
    sqlite3.SQLITE_IOERR: "the disk reports an error; look after it before you go on",
}
_ON_A_SERVER = {
    "28": "the server does not let this user in; check user and password (environment, or ~/.pgpass)",
    "3D": "the server has no such database; create it first",
    "42501": "this user may not do that on the server; grant it the right",
    "53100": "the server's disk is full; free some space",
    "53300": "the server takes no more connections; close some, or let it take more",
    "57": "the server is being shut down or started; try again",
}
"""By the beginning of the SQLSTATE (PostgreSQL, appendix A)."""

_REFUSALS = ("22", "23", "P0")
"""The classes of SQLSTATE for data, constraints, and what our own triggers raise."""


@contextmanager
def writing(engine: Engine) -> Iterator[Connection]:
    """Open a transaction that may write, and commit it durably at the end.

    In a file it is a writer from its first statement: one that reads first and writes later fails at once, without
    waiting, when another has written in between.
    """
    with engine.begin() as connection:
        if engine.dialect.name == "sqlite":
            connection.exec_driver_sql("BEGIN IMMEDIATE")
        yield connection


@contextmanager
def explained(place: object, failed: str) -> Iterator[None]:
    """Turn an error of the database into one that the user can act on: the place, what failed, why, what to do."""
    try:
        yield
    except DBAPIError as error:
        kind = RefusedRowError if _is_refusal(error) else RecordError
        raise kind(f"{place}: {failed}: {_why(error)}") from error


def _is_refusal(error: DBAPIError) -> bool:
    return isinstance(error, IntegrityError | DataError) or _sqlstate(error).startswith(_REFUSALS)


def _why(error: DBAPIError) -> str:
    code = getattr(error.orig, "sqlite_errorcode", None)
    if code is not None:
        return _IN_A_FILE.get(code & 0xFF, str(error.orig))  # the upper bits only refine the primary code
    state = _sqlstate(error)
    known = next((why for begin, why in _ON_A_SERVER.items() if state.startswith(begin)), None)
    return known or " ".join(str(error.orig).split())


def _sqlstate(error: DBAPIError) -> str:
    return getattr(error.orig, "sqlstate", None) or ""
