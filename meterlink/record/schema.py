"""The tables of the record file as they are now; how they came to be is in `migrations/`.

Lines are only ever added: triggers in the file itself refuse to change or drop one.
"""

from sqlalchemy import Column, ForeignKey, Integer, LargeBinary, MetaData, Table, Text

APPLICATION_ID = 0x5350_4E54
"""Marks the file as ours (SQLite's `PRAGMA application_id`): the letters SPNT."""
VERSION = 3
"""Goes up with every change of the tables, or of the kinds of line in them (SQLite's `PRAGMA user_version`), each a
revision in `migrations/`. 1 knows no meter, 2 no hashes, jumpers, answers and changes."""
FIRST_BY_ALEMBIC = 3
"""The first layout whose files say by themselves, in Alembic's own table, which revision they have."""

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
    # Since layout 3; a job of an older version has nothing of it.
    Column("lift", Text),
    Column("operator", Text),
    Column("device", Text),
    Column("sealing", Text),
    Column("sha256", Text),
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
    Column("sha256", Text),
    sqlite_with_rowid=False,
)

SEAL = Table(
    "seal",
    METADATA,
    Column("job", Text, ForeignKey("job.id"), primary_key=True),
    Column("events", Integer, primary_key=True),
    Column("head", Text, nullable=False),
    Column("utc_ns", Integer, nullable=False),
    Column("public_key", Text, nullable=False),
    Column("signature", Text, nullable=False),
    sqlite_with_rowid=False,
)
