"""The tables of a record as they are now, in a file or on a server; how they came to be is in `migrations/`.

Lines are only ever added: triggers in the database itself refuse to change or drop one. A job can go as a whole, once
its tombstone says that it left as an archive.
"""

from sqlalchemy import BigInteger, Column, ForeignKey, Integer, LargeBinary, MetaData, Table, Text

APPLICATION_ID = 0x5350_4E54
"""Marks the file as ours (SQLite's `PRAGMA application_id`): the letters SPNT."""
VERSION = 4
"""Goes up with every change of the tables, or of the kinds of line in them (SQLite's `PRAGMA user_version`), each a
revision in `migrations/`. 1 knows no meter, 2 no hashes, jumpers, answers and changes, 3 no office."""
FIRST_BY_ALEMBIC = 3
"""The first layout whose files say by themselves, in Alembic's own table, which revision they have."""
FIRST_ON_A_SERVER = 4
"""The first layout on PostgreSQL: its revision makes all tables there."""

METADATA = MetaData()

NANOSECONDS = BigInteger().with_variant(Integer, "sqlite")
"""64 bits on either: SQLite's `INTEGER` has them anyway."""

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
    Column("started_utc_ns", NANOSECONDS, nullable=False),
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
    Column("monotonic_ns", NANOSECONDS, nullable=False),
    Column("utc_ns", NANOSECONDS, nullable=False),
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
    Column("utc_ns", NANOSECONDS, nullable=False),
    Column("public_key", Text, nullable=False),
    Column("signature", Text, nullable=False),
    sqlite_with_rowid=False,
)

# What only an office's store is filled with (since layout 4).

DEVICE = Table(
    "device",
    METADATA,
    Column("name", Text, primary_key=True),  # as in its topics
    Column("site", Text, nullable=False),
    Column("public_key", Text, nullable=False),  # in hex
    Column("enrolled_utc_ns", NANOSECONDS, nullable=False),
    Column("revoked_utc_ns", NANOSECONDS),
    Column("first_seen", Integer, nullable=False),  # 1: nobody enrolled it, its key is the first that came
)

PROGRESS = Table(
    "progress",
    METADATA,
    Column("job", Text, ForeignKey("job.id"), primary_key=True),
    Column("device", Text, nullable=False),
    Column("seq", Integer, nullable=False),
    Column("sha256", Text, nullable=False),
    Column("sealed", Integer, nullable=False),
    Column("received_utc_ns", NANOSECONDS, nullable=False),  # by the office's clock
)

STATUS = Table(
    "status",
    METADATA,
    Column("device", Text, primary_key=True),
    Column("body", Text, nullable=False),
    Column("received_utc_ns", NANOSECONDS, nullable=False),
)

ASIDE = Table(
    "aside",
    METADATA,
    Column("id", Integer, primary_key=True),
    Column("utc_ns", NANOSECONDS, nullable=False),
    Column("device", Text, nullable=False),
    Column("job", Text, nullable=False),
    Column("reason", Text, nullable=False),
    Column("size", Integer, nullable=False),
    Column("payload", LargeBinary, nullable=False),  # its beginning
)

MESSAGE = Table(
    "message",
    METADATA,
    Column("id", Text, primary_key=True),
    Column("device", Text, nullable=False),
    Column("text", Text, nullable=False),
    Column("by", Text, nullable=False),
    Column("utc_ns", NANOSECONDS, nullable=False),
    Column("job", Text),  # whose log says that it was heard
    Column("seq", Integer),
)

PHOTO_PART = Table(
    "photo_part",
    METADATA,
    Column("job", Text, ForeignKey("job.id"), primary_key=True),
    Column("sha256", Text, primary_key=True),  # of the whole photo
    Column("part", Integer, primary_key=True),
    Column("data", LargeBinary, nullable=False),
)

GONE = Table(
    "gone",
    METADATA,
    Column("job", Text, primary_key=True),
    Column("device", Text, nullable=False),
    Column("site", Text, nullable=False),
    Column("seq", Integer, nullable=False),
    Column("sha256", Text, nullable=False),
    Column("sealed", Integer, nullable=False),
    Column("utc_ns", NANOSECONDS, nullable=False),
    Column("archive", Text, nullable=False),  # the file's name
    Column("archive_sha256", Text, nullable=False),
)

MARK = Table(
    "mark",
    METADATA,
    Column("name", Text, primary_key=True),  # such as `job/20261125-k7m4`
    Column("cursor", NANOSECONDS, nullable=False, unique=True),
)
