"""Writes many events with few statements.

A statement a row would let go of Python's interpreter lock for each, and wait for it again while the network is served:
measured, that costs more than all the rest. So many rows share one statement.
"""

from collections.abc import Iterator, Sequence
from contextlib import contextmanager, nullcontext
from functools import cache
from itertools import chain, islice, repeat
from typing import Any

from sqlalchemy import Connection, func, select
from sqlalchemy.exc import DBAPIError, IntegrityError

from meterlink.record.schema import EVENT, JOB
from meterlink.relay.stretch import Stretch

Lines = Sequence[tuple[str, Stretch]]
"""Jobs, each with lines that it lacks; those of one job in order."""

_NAMES = ", ".join(column.name for column in EVENT.columns)
_ROWS = (256, 32, 4, 1)
"""Rows a statement of SQLite: few sizes, so that each is prepared already."""
_TYPES = ("text", "int4", "text", "int8", "int8", "text", "bytea", "text")
_COPY = f"COPY event ({_NAMES}) FROM STDIN (FORMAT BINARY)"
"""PostgreSQL's own way in for many rows: measured, 7 us a row, where arrays of all columns took 32. There a trigger
looks at all rows of a statement together."""
_WORTH_IT = 1000
"""So many rows are checked together."""
_GUARD = "event_in_order"
"""The trigger that lets nothing but a job's next line in."""


def insert_events(connection: Connection, lines: Lines) -> None:
    """Insert events.

    Args:
        connection: in a transaction that writes.
        lines: what is to be added.

    Raises:
        DBAPIError: they are not the next lines of their jobs, or cannot be stored; the transaction is not to be
            committed then, since the table's guard may be out.
    """
    if not lines:
        return
    if connection.dialect.name != "sqlite":
        _copy(connection, lines)
        return
    count = sum(len(stretch) for _, stretch in lines)
    with _checked_together(connection, lines) if count >= _WORTH_IT else nullcontext():
        values = chain.from_iterable(chain.from_iterable(map(_rows, lines)))
        for rows in _statements(count):
            connection.exec_driver_sql(_statement(rows), tuple(islice(values, rows * len(_TYPES))))


def _copy(connection: Connection, lines: Lines) -> None:
    driver: Any = connection.connection.driver_connection
    errors: Any = connection.dialect.loaded_dbapi.Error
    try:
        with driver.cursor() as cursor, cursor.copy(_COPY) as copy:
            copy.set_types(_TYPES)
            for row in chain.from_iterable(map(_rows, lines)):
                copy.write_row(row)
    except errors as error:  # raised as SQLAlchemy does with those that come by it
        raise DBAPIError.instance(_COPY, None, error, errors, dialect=connection.dialect) from error


def _rows(lines: tuple[str, Stretch]) -> Iterator[tuple[object, ...]]:
    """Return rows of the table; frames in a type that SQLite's driver takes without a search for an adapter."""
    job, stretch = lines
    *others, _, sha256 = stretch.columns
    return zip(repeat(job, len(stretch)), *others, map(bytearray, stretch.raw), sha256, strict=True)


def _statements(count: int) -> Iterator[int]:
    """Split so many rows into statements."""
    for rows in _ROWS:
        yield from repeat(rows, count // rows)
        count %= rows


@cache
def _statement(rows: int) -> str:
    row = "(?, ?, ?, ?, ?, ?, ?, ?)"
    return f"INSERT INTO event ({_NAMES}) VALUES {', '.join([row] * rows)}"  # noqa: S608 - our own names


@contextmanager
def _checked_together(connection: Connection, lines: Lines) -> Iterator[None]:
    """Have each stretch checked once, and not each row.

    For the sake of a trigger SQLite copies all rows of a statement aside first, whatever the trigger asks: measured,
    1.8 us a row on top of 3. So it is taken out, and put back behind the rows. Nobody sees the table without it: this
    is one transaction, which holds the file's only lock for writing.
    """
    guard = connection.exec_driver_sql("SELECT sql FROM sqlite_master WHERE name = ?", (_GUARD,)).scalar()
    last = _last(connection, lines)
    for job, stretch in lines:
        following = last.get(job, 0) + 1
        if stretch.seq != tuple(range(following, following + len(stretch))):
            raise IntegrityError(_statement(1), None, ValueError(f"{job} goes on with line {following}: append-only"))
        last[job] = following + len(stretch) - 1
    connection.exec_driver_sql(f"DROP TRIGGER IF EXISTS {_GUARD}")
    yield
    if guard:
        connection.exec_driver_sql(guard)


def _last(connection: Connection, lines: Lines) -> dict[str, int]:
    newest = select(func.coalesce(func.max(EVENT.c.seq), 0)).where(EVENT.c.job == JOB.c.id).scalar_subquery()
    jobs = select(JOB.c.id, newest).where(JOB.c.id.in_({job for job, _ in lines}))
    return dict(connection.execute(jobs).all())
