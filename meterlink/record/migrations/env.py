"""Alembic's way in: brings the open database that `meterlink.record.migrate` hands over to the newest layout."""

from alembic import context

# The caller's transaction: either every layout between comes about, or none.
context.configure(connection=context.config.attributes["connection"])
context.run_migrations()
