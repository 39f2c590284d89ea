"""Layout 1: jobs and their logs."""

import sqlalchemy as sa
from alembic import op

revision = "layout1"
down_revision = None

_REFUSED = {
    "job": "EXISTS (SELECT 1 FROM job WHERE id = NEW.id)",
    "event": "NEW.seq <> 1 + (SELECT coalesce(max(seq), 0) FROM event WHERE job = NEW.job)",
}
"""INSERT OR REPLACE drops a row without firing its DELETE trigger, so a key that is taken is refused as well."""


def upgrade() -> None:
    """Make the tables, and have the file itself refuse to change or drop a line."""
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
        sa.Column("started_utc_ns", sa.Integer, nullable=False),
        sa.Column("utc_offset_s", sa.Integer, nullable=False),
    )
    op.create_table(
        "event",
        sa.Column("job", sa.Text, sa.ForeignKey("job.id"), primary_key=True),
        sa.Column("seq", sa.Integer, primary_key=True),
        sa.Column("kind", sa.Text, nullable=False),
        sa.Column("monotonic_ns", sa.Integer, nullable=False),
        sa.Column("utc_ns", sa.Integer, nullable=False),
        sa.Column("body", sa.Text, nullable=False),
        sa.Column("raw", sa.LargeBinary, nullable=False),
        sqlite_with_rowid=False,
    )
    for table, condition in _REFUSED.items():
        _refuse(f"{table}_no_update", f"UPDATE ON {table}")
        _refuse(f"{table}_no_delete", f"DELETE ON {table}")
        _refuse(f"{table}_in_order", f"INSERT ON {table} WHEN {condition}")


def _refuse(name: str, change: str) -> None:
    op.execute(f"CREATE TRIGGER {name} BEFORE {change} BEGIN SELECT RAISE(ABORT, 'the record is append-only'); END")
