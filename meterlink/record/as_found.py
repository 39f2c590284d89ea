"""A job as the bytes that lie in the file, whatever was done to them: for `prove` and for archives."""

from collections.abc import Iterator
from typing import Any

from meterlink.record.chain import Line
from meterlink.record.schema import JOB
from meterlink.record.store import Job, Store

_PAGE = 2000
_EVENTS = (
    "SELECT CAST(seq AS INTEGER), CAST(monotonic_ns AS BLOB), CAST(utc_ns AS BLOB), CAST(kind AS BLOB), "
    "CAST(body AS BLOB), CAST(raw AS BLOB), coalesce(CAST(sha256 AS BLOB), x'') "
    "FROM event WHERE job = ? AND seq > ? ORDER BY seq LIMIT ?"
)
"""All as bytes: a text that is no UTF-8 any more must be found, and not stop the search."""
_JOB = f"SELECT {', '.join(f'CAST({column.name} AS BLOB)' for column in JOB.columns)} FROM job WHERE id = ?"  # noqa: S608
_LOWEST = -(2**63)


def job_ids(store: Store) -> list[str]:
    """Return the ids of all jobs of which anything is there."""
    with store.reading() as connection:
        found = connection.exec_driver_sql("SELECT id FROM job UNION SELECT DISTINCT job FROM event ORDER BY 1")
        return [str(each) for (each,) in found]


def job_as_found(store: Store, job_id: str) -> Job | None:
    """Return a job's own line; None where there is none."""
    with store.reading() as connection:
        row = connection.exec_driver_sql(_JOB, (job_id,)).first()
    if row is None:
        return None
    values: dict[str, Any] = {
        column.name: None if value is None else value.decode("utf-8", "replace")
        for column, value in zip(JOB.columns, row, strict=True)
    }
    for name in ("started_utc_ns", "utc_offset_s"):
        values[name] = _whole(values[name])
    return Job(**values)


def lines_as_found(store: Store, job_id: str, own_hash: str) -> Iterator[Line]:
    """Return a job's log in order, read a page at a time.

    Args:
        store: the record.
        job_id: whose log.
        own_hash: the hash of the job's own line, which stands before the first.
    """
    last, prev = _LOWEST, own_hash.encode()
    while True:
        with store.reading() as connection:
            rows = connection.exec_driver_sql(_EVENTS, (job_id, last, _PAGE)).all()
        for seq, monotonic_ns, utc_ns, kind, body, raw, sha256 in rows:
            yield Line(seq, monotonic_ns, utc_ns, kind, body, raw, prev, sha256)
            last, prev = seq, sha256
        if len(rows) < _PAGE:
            return


def _whole(text: str | None) -> int:
    try:
        return int(text or "")
    except ValueError:
        return -1  # no time that a job began at: its hash tells
