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
_ROWS = 400
"""A statement: 3,200 values, where SQLite takes 32,766 and PostgreSQL 65,535."""


def insert_events(connection: Connection, rows: Sequence[tuple[object, ...]]) -> None:
    """Insert events, in order.

    Args:
        connection: in a transaction that writes.
        rows: the values of each in the order of the table's columns.
    """
    sign = "?" if connection.dialect.paramstyle == "qmark" else "%s"
    for start in range(0, len(rows), _ROWS):
        some = rows[start : start + _ROWS]
        connection.exec_driver_sql(_statement(len(some), sign), tuple(chain.from_iterable(some)))


@cache
def _statement(rows: int, sign: str) -> str:
    row = f"({', '.join([sign] * len(_NAMES))})"
    return f"INSERT INTO event ({', '.join(_NAMES)}) VALUES {', '.join([row] * rows)}"  # noqa: S608 - our own names
