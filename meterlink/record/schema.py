"""The tables of the record file. Lines are only ever added: the file itself refuses to change or drop one."""

from sqlalchemy import Column, Connection, ForeignKey, Integer, LargeBinary, MetaData, Table, Text

APPLICATION_ID = 0x5350_4E54
"""Marks the file as ours (SQLite's `PRAGMA application_id`): the letters SPNT."""
VERSION = 3
"""Goes up with every change of the tables, or of the kinds of line in them (SQLite's `PRAGMA user_version`)."""
OLDER = (1, 2)
"""Layouts that differ only in the kinds of line, so that opening the file may raise their number: 1 knows no meter, 2
no jumpers, answers and changes."""

METADATA = MetaData()

JOB = Table(
    "job",
    METADATA,
    Column("id", Text, primary_key=True),
    Column("procedure", Text, nullable=False),
    Column("title", Text, nullable=False),
    Column("revision", Text, nullable=False),
    Column("source", Text, nullable=False),
    Column("source_sha256", Text, nullable=False),
    Column("meter", Text, nullable=False),
    Column("meter_identity", Text),
    Column("software", Text, nullable=False),
    Column("started_utc_ns", Integer, nullable=False),
    Column("utc_offset_s", Integer, nullable=False),
)

EVENT = Table(
    "event",
    METADATA,
    Column("job", Text, ForeignKey("job.id"), primary_key=True),
    Column("seq", Integer, primary_key=True),
    Column("kind", Text, nullable=False),
    Column("monotonic_ns", Integer, nullable=False),
    Column("utc_ns", Integer, nullable=False),
    Column("body", Text, nullable=False),
    Column("raw", LargeBinary, nullable=False),
    sqlite_with_rowid=False,
)

# INSERT OR REPLACE drops a row without firing its DELETE trigger, so a key that is taken is refused as well.
_TAKEN_OR_OUT_OF_ORDER = {
    "job": "EXISTS (SELECT 1 FROM job WHERE id = NEW.id)",
    "event": "NEW.seq <> 1 + (SELECT coalesce(max(seq), 0) FROM event WHERE job = NEW.job)",
}


def create(connection: Connection) -> None:
    """Lay out a new file, inside the caller's transaction."""
    METADATA.create_all(connection)
    for table, condition in _TAKEN_OR_OUT_OF_ORDER.items():
        _refuse(connection, f"{table}_no_update", f"UPDATE ON {table}")
        _refuse(connection, f"{table}_no_delete", f"DELETE ON {table}")
        _refuse(connection, f"{table}_in_order", f"INSERT ON {table} WHEN {condition}")
    connection.exec_driver_sql(f"PRAGMA application_id = {APPLICATION_ID}")
    connection.exec_driver_sql(f"PRAGMA user_version = {VERSION}")


def _refuse(connection: Connection, name: str, change: str) -> None:
    connection.exec_driver_sql(
        f"CREATE TRIGGER {name} BEFORE {change} BEGIN SELECT RAISE(ABORT, 'the record is append-only'); END"
    )
