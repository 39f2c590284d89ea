"""Marks of what changed, each with a number that only grows: a reader that was away asks for what is above its own.

A thing has one mark, which moves: whoever comes back after long reads each thing once, however often it changed. The
names are `job/ID`, `status/DEVICE`, `aside/DEVICE`, `note/ID`, `gone/ID`, `device/NAME`.
"""

from collections.abc import Iterable, Sequence
from itertools import islice

from sqlalchemy import Connection, delete, func, insert, select

from meterlink.record.schema import MARK

_LOCK = 0x5350_4E55
"""Names the advisory lock that keeps numbers in the order of the commits, on a server with many writers."""
_AT_ONCE = 500


def mark(connection: Connection, names: Iterable[str]) -> None:
    """Move the marks of these things behind all others; the last act of a transaction."""
    pending = iter(dict.fromkeys(names))
    while some := list(islice(pending, _AT_ONCE)):
        if connection.dialect.name != "sqlite":
            connection.exec_driver_sql(f"SELECT pg_advisory_xact_lock({_LOCK})")
        newest = newest_mark(connection)
        connection.execute(delete(MARK).where(MARK.c.name.in_(some)))
        rows = [{"name": name, "cursor": newest + number} for number, name in enumerate(some, 1)]
        connection.execute(insert(MARK), rows)


def newest_mark(connection: Connection) -> int:
    """Return the highest number; 0 where there is none."""
    return connection.execute(select(func.max(MARK.c.cursor))).scalar() or 0


def marks_after(connection: Connection, cursor: int, most: int) -> Sequence[tuple[int, str]]:
    """Return marks above a number, in order."""
    above = select(MARK.c.cursor, MARK.c.name).where(MARK.c.cursor > cursor).order_by(MARK.c.cursor).limit(most)
    return [(number, name) for number, name in connection.execute(above)]
