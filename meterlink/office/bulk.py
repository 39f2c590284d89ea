"""Writes many events with few statements.

A statement a row would let go of Python's interpreter lock for each, and wait for it again while the network is served:
measured, that costs more than all the rest. So many rows share one statement.
"""

from collections.abc import Sequence
from functools import cache
from itertools import chain

from sqlalchemy import Connection

from meterlink.record.schema import EVENT

_NAMES = [column.name for column in EVENT.columns]
_ROWS = (2048, 256, 32, 4, 1)
"""Rows a statement: few sizes, so that the database has each prepared already. The largest has 16,384 values, where
SQLite takes 32,766 and PostgreSQL 65,535."""


def insert_events(connection: Connection, rows: Sequence[tuple[object, ...]]) -> None:
    """Insert events, in order.

    Args:
        connection: in a transaction that writes.
        rows: the values of each in the order of the table's columns.
    """
    sign = "?" if connection.dialect.paramstyle == "qmark" else "%s"
    start = 0
    for size in _ROWS:
        while len(rows) - start >= size:
            values = tuple(chain.from_iterable(rows[start : start + size]))
            connection.exec_driver_sql(_statement(size, sign), values)
            start += size


@cache
def _statement(rows: int, sign: str) -> str:
    row = f"({', '.join([sign] * len(_NAMES))})"
    return f"INSERT INTO event ({', '.join(_NAMES)}) VALUES {', '.join([row] * rows)}"  # noqa: S608 - our own names
