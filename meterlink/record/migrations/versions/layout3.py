"""Layout 3: each line carries its hash, and jobs have seals; new kinds of line. What is there already has no hash."""

import sqlalchemy as sa
from alembic import op

revision = "layout3"
down_revision = "layout2"


def upgrade() -> None:
    """Add what a job is chained and sealed by; a hash worked out now would prove nothing about the years before."""
    for name in ("lift", "operator", "device", "sealing", "sha256"):
        op.add_column("job", sa.Column(name, sa.Text))
    op.add_column("event", sa.Column("sha256", sa.Text))
    op.create_table(
        "seal",
        sa.Column("job", sa.Text, sa.ForeignKey("job.id"), primary_key=True),
        sa.Column("events", sa.Integer, primary_key=True),
        sa.Column("head", sa.Text, nullable=False),
        sa.Column("utc_ns", sa.Integer, nullable=False),
        sa.Column("public_key", sa.Text, nullable=False),
        sa.Column("signature", sa.Text, nullable=False),
        sqlite_with_rowid=False,
    )
    taken = "EXISTS (SELECT 1 FROM seal WHERE job = NEW.job AND events >= NEW.events)"
    for name, change in (
        ("seal_no_update", "UPDATE ON seal"),
        ("seal_no_delete", "DELETE ON seal"),
        ("seal_in_order", f"INSERT ON seal WHEN {taken}"),
    ):
        op.execute(f"CREATE TRIGGER {name} BEFORE {change} BEGIN SELECT RAISE(ABORT, 'the record is append-only'); END")
