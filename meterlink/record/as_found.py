"""A job as the bytes that lie in the file, whatever was done to them: for `prove` and for archives."""

from collections.abc import Iterator
from typing import Any

from sqlalchemy import Table

from meterlink.record.chain import Line
from meterlink.record.schema import JOB, SEAL
from meterlink.record.seal import Seal
from meterlink.record.store import Job, Store

_PAGE = 2000


def _as_bytes(table: Table) -> str:
    return ", ".join(f"CAST({column.name} AS BLOB)" for column in table.columns)


_EVENTS = (
    "SELECT CAST(seq AS INTEGER), CAST(monotonic_ns AS BLOB), CAST(utc_ns AS BLOB), CAST(kind AS BLOB), "
    "CAST(body AS BLOB), CAST(raw AS BLOB), coalesce(CAST(sha256 AS BLOB), x'') "
    "FROM event WHERE job = CAST(? AS TEXT) AND seq > ? ORDER BY seq LIMIT ?"
)
"""All as bytes: a text that is no UTF-8 any more must be found, and not stop the search."""
_JOB = f"SELECT {_as_bytes(JOB)} FROM job WHERE id = CAST(? AS TEXT)"  # noqa: S608 - the names of our own columns
_SEALS = f"SELECT {_as_bytes(SEAL)} FROM seal WHERE job = CAST(? AS TEXT) ORDER BY events"  # noqa: S608 - as above
_IDS = "SELECT CAST(id AS BLOB) FROM job UNION SELECT DISTINCT CAST(job AS BLOB) FROM event ORDER BY 1"
_LOWEST = -(2**63)


def job_ids(store: Store) -> list[str]:
    """Return the ids of all jobs of which anything is there."""
    with store.reading() as connection:
        return [_text(each) or "" for (each,) in connection.exec_driver_sql(_IDS)]


def job_as_found(store: Store, job_id: str) -> Job | None:
    """Return a job's own line; None where there is none."""
    with store.reading() as connection:
        row = connection.exec_driver_sql(_JOB, (_bytes(job_id),)).first()
    if row is None:
        return None
    values: dict[str, Any] = {column.name: _text(value) for column, value in zip(JOB.columns, row, strict=True)}
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
    last, prev = _LOWEST, own_hash.encode("utf-8", "replace")
    while True:
        with store.reading() as connection:
            rows = connection.exec_driver_sql(_EVENTS, (_bytes(job_id), last, _PAGE)).all()
        for seq, monotonic_ns, utc_ns, kind, body, raw, sha256 in rows:
            yield Line(seq, monotonic_ns, utc_ns, kind, body, raw, prev, sha256)
            last, prev = seq, sha256
        if len(rows) < _PAGE:
            return


def seals_as_found(store: Store, job_id: str) -> list[Seal]:
    """Return a job's seals, oldest first; what is no text or number any more holds for nothing."""
    with store.reading() as connection:
        rows = connection.exec_driver_sql(_SEALS, (_bytes(job_id),)).all()
    found = [[_text(value) or "" for value in row] for row in rows]
    return [
        Seal(job, _whole(events), head, _whole(utc_ns), public_key, signature)
        for job, events, head, utc_ns, public_key, signature in found
    ]


def _text(value: bytes | None) -> str | None:
    return None if value is None else value.decode("utf-8", "surrogateescape")


def _bytes(text: str) -> bytes:
    return text.encode("utf-8", "surrogateescape")


def _whole(text: str | None) -> int:
    try:
        return int(text or "")
    except ValueError:
        return -1  # no time that a job began at: its hash tells
