"""Writes many events with few statements.

A statement a row would let go of Python's interpreter lock for each, and wait for it again while the network is served:
measured, that costs more than all the rest. So many rows share one statement.
"""

from collections.abc import Sequence
from functools import cache
from itertools import chain

from sqlalchemy import Connection

from meterlink.record.schema import EVENT

_NAMES = ", ".join(column.name for column in EVENT.columns)
_ROWS = (2048, 256, 32, 4, 1)
"""Rows a statement of SQLite: few sizes, so that each is prepared already. The largest has 16,384 values of 32,766."""
_TYPES = ("text", "int", "text", "bigint", "bigint", "text", "bytea", "text")
_COLUMNS = f"INSERT INTO event ({_NAMES}) SELECT * FROM unnest({', '.join(f'%s::{each}[]' for each in _TYPES)})"  # noqa: S608
"""PostgreSQL takes each column as one array, whose order the rows keep."""


def insert_events(connection: Connection, rows: Sequence[tuple[object, ...]]) -> None:
    """Insert events, in order.

    Args:
        connection: in a transaction that writes.
        rows: the values of each in the order of the table's columns.
    """
    if not rows:
        return
    if connection.dialect.name != "sqlite":
        connection.exec_driver_sql(_COLUMNS, tuple(map(list, zip(*rows, strict=True))))
        return
    start = 0
    for size in _ROWS:
        while len(rows) - start >= size:
            values = tuple(chain.from_iterable(rows[start : start + size]))
            connection.exec_driver_sql(_statement(size), values)
            start += size


@cache
def _statement(rows: int) -> str:
    row = "(?, ?, ?, ?, ?, ?, ?, ?)"
    return f"INSERT INTO event ({_NAMES}) VALUES {', '.join([row] * rows)}"  # noqa: S608 - our own names
