"""Layout 4: what an office keeps beside jobs, and jobs that leave as a whole; the first layout on PostgreSQL."""

import sqlalchemy as sa
from alembic import op

revision = "layout4"
down_revision = "layout3"

_NS = sa.BigInteger().with_variant(sa.Integer, "sqlite")
_KEPT = {"job": "id", "event": "job", "seal": "job"}
"""The tables that are only added to, each with its column that names the job."""
_EVENTS_IN_ORDER = """
CREATE FUNCTION event_in_order() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE new RECORD;
BEGIN
    FOR new IN SELECT job, min(seq) AS first, max(seq) AS last, count(*) AS lines FROM added GROUP BY job LOOP
        IF new.first < 1 OR new.lines <> new.last - new.first + 1 OR (
            new.first > 1 AND NOT EXISTS (SELECT 1 FROM event WHERE job = new.job AND seq = new.first - 1)
        ) THEN
            RAISE EXCEPTION 'the record is append-only';
        END IF;
    END LOOP;
    RETURN NULL;
END $$
"""
"""Once a statement and not once a row, which many lines share: without a gap, and behind what is there."""


def upgrade() -> None:
    """Make the office's tables; a job with a tombstone may be dropped, nothing else."""
    if op.get_bind().dialect.name == "postgresql":
        _make_record()
    _make_office()
    if op.get_bind().dialect.name == "postgresql":
        _guard_on_postgresql()
    else:
        for table, job in _KEPT.items():
            gone = f"EXISTS (SELECT 1 FROM gone WHERE job = OLD.{job})"  # noqa: S608 - the names of our own columns
            op.execute(f"DROP TRIGGER {table}_no_delete")
            op.execute(
                f"CREATE TRIGGER {table}_no_delete BEFORE DELETE ON {table} WHEN NOT {gone} "
                "BEGIN SELECT RAISE(ABORT, 'the record is append-only'); END"
            )


def _make_record() -> None:
    """Make what the layouts before made in a file."""
    op.create_table(
        "job",
        sa.Column("id", sa.Text, primary_key=True),
        sa.Column("procedure", sa.Text, nullable=False),
        sa.Column("title", sa.Text, nullable=False),
        sa.Column("revision", sa.Text, nullable=False),
        sa.Column("source", sa.Text, nullable=False),
        sa.Column("source_sha256", sa.Text, nullable=False),
        sa.Column("meter", sa.Text, nullable=False),
        sa.Column("meter_identity", sa.Text),
        sa.Column("software", sa.Text, nullable=False),
        sa.Column("started_utc_ns", _NS, nullable=False),
        sa.Column("utc_offset_s", sa.Integer, nullable=False),
        *(sa.Column(name, sa.Text) for name in ("lift", "operator", "device", "sealing", "sha256")),
    )
    op.create_table(
        "event",
        sa.Column("job", sa.Text, sa.ForeignKey("job.id"), primary_key=True),
        sa.Column("seq", sa.Integer, primary_key=True),
        sa.Column("kind", sa.Text, nullable=False),
        sa.Column("monotonic_ns", _NS, nullable=False),
        sa.Column("utc_ns", _NS, nullable=False),
        sa.Column("body", sa.Text, nullable=False),
        sa.Column("raw", sa.LargeBinary, nullable=False),
        sa.Column("sha256", sa.Text),
    )
    op.create_table(
        "seal",
        sa.Column("job", sa.Text, sa.ForeignKey("job.id"), primary_key=True),
        sa.Column("events", sa.Integer, primary_key=True),
        sa.Column("head", sa.Text, nullable=False),
        sa.Column("utc_ns", _NS, nullable=False),
        sa.Column("public_key", sa.Text, nullable=False),
        sa.Column("signature", sa.Text, nullable=False),
    )


def _make_office() -> None:
    op.create_table(
        "device",
        sa.Column("name", sa.Text, primary_key=True),
        sa.Column("site", sa.Text, nullable=False),
        sa.Column("public_key", sa.Text, nullable=False),
        sa.Column("enrolled_utc_ns", _NS, nullable=False),
        sa.Column("revoked_utc_ns", _NS),
        sa.Column("first_seen", sa.Integer, nullable=False),
    )
    op.create_table(
        "progress",
        sa.Column("job", sa.Text, sa.ForeignKey("job.id"), primary_key=True),
        sa.Column("device", sa.Text, nullable=False),
        sa.Column("seq", sa.Integer, nullable=False),
        sa.Column("sha256", sa.Text, nullable=False),
        sa.Column("sealed", sa.Integer, nullable=False),
        sa.Column("received_utc_ns", _NS, nullable=False),
    )
    op.create_table(
        "status",
        sa.Column("device", sa.Text, primary_key=True),
        sa.Column("body", sa.Text, nullable=False),
        sa.Column("received_utc_ns", _NS, nullable=False),
    )
    op.create_table(
        "aside",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("utc_ns", _NS, nullable=False),
        sa.Column("device", sa.Text, nullable=False),
        sa.Column("job", sa.Text, nullable=False),
        sa.Column("reason", sa.Text, nullable=False),
        sa.Column("size", sa.Integer, nullable=False),
        sa.Column("payload", sa.LargeBinary, nullable=False),
    )
    op.create_table(
        "message",
        sa.Column("id", sa.Text, primary_key=True),
        sa.Column("device", sa.Text, nullable=False),
        sa.Column("text", sa.Text, nullable=False),
        sa.Column("by", sa.Text, nullable=False),
        sa.Column("utc_ns", _NS, nullable=False),
        sa.Column("job", sa.Text),
        sa.Column("seq", sa.Integer),
    )
    op.create_table(
        "photo_part",
        sa.Column("job", sa.Text, sa.ForeignKey("job.id"), primary_key=True),
        sa.Column("sha256", sa.Text, primary_key=True),
        sa.Column("part", sa.Integer, primary_key=True),
        sa.Column("data", sa.LargeBinary, nullable=False),
    )
    op.create_table(
        "gone",
        sa.Column("job", sa.Text, primary_key=True),
        sa.Column("device", sa.Text, nullable=False),
        sa.Column("site", sa.Text, nullable=False),
        sa.Column("seq", sa.Integer, nullable=False),
        sa.Column("sha256", sa.Text, nullable=False),
        sa.Column("sealed", sa.Integer, nullable=False),
        sa.Column("utc_ns", _NS, nullable=False),
        sa.Column("archive", sa.Text, nullable=False),
        sa.Column("archive_sha256", sa.Text, nullable=False),
    )
    op.create_table(
        "mark",
        sa.Column("name", sa.Text, primary_key=True),
        sa.Column("cursor", _NS, nullable=False, unique=True),
    )


def _guard_on_postgresql() -> None:
    """Have the server refuse what the file refuses."""
    for table, job in _KEPT.items():
        _refuse(f"{table}_no_update", table, "UPDATE", "true")
        _refuse(f"{table}_no_delete", table, "DELETE", f"NOT EXISTS (SELECT 1 FROM gone WHERE job = OLD.{job})")  # noqa: S608
        op.execute(
            f"CREATE FUNCTION {table}_no_truncate() RETURNS trigger LANGUAGE plpgsql AS "
            "$$ BEGIN RAISE EXCEPTION 'the record is append-only'; END $$"
        )
        op.execute(
            f"CREATE TRIGGER {table}_no_truncate BEFORE TRUNCATE ON {table} "
            f"FOR EACH STATEMENT EXECUTE FUNCTION {table}_no_truncate()"
        )

    _refuse(
        "seal_in_order", "seal", "INSERT", "EXISTS (SELECT 1 FROM seal WHERE job = NEW.job AND events >= NEW.events)"
    )
    op.execute(_EVENTS_IN_ORDER)
    op.execute(
        "CREATE TRIGGER event_in_order AFTER INSERT ON event REFERENCING NEW TABLE AS added "
        "FOR EACH STATEMENT EXECUTE FUNCTION event_in_order()"
    )


def _refuse(name: str, table: str, change: str, condition: str) -> None:
    row = "OLD" if change == "DELETE" else "NEW"
    op.execute(
        f"CREATE FUNCTION {name}() RETURNS trigger LANGUAGE plpgsql AS "
        f"$$ BEGIN IF {condition} THEN RAISE EXCEPTION 'the record is append-only'; END IF; RETURN {row}; END $$"
    )
    op.execute(f"CREATE TRIGGER {name} BEFORE {change} ON {table} FOR EACH ROW EXECUTE FUNCTION {name}()")
