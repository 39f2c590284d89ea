"""Has office processes that share a store take turns at a job."""

from collections.abc import Iterable

from sqlalchemy import Connection, text

_HOLD = text("SELECT pg_advisory_xact_lock(hashtextextended(:job, 0))")


def hold_jobs(connection: Connection, jobs: Iterable[str]) -> None:
    """Be the only one at these jobs until the transaction ends; always in the same order, so that none waits in a ring.

    A file has one writer at a time anyway.
    """
    if connection.dialect.name != "sqlite":
        for job in sorted(set(jobs)):
            connection.execute(_HOLD, {"job": job})
