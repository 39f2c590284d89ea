"""A job as the bytes that lie in the file, whatever was done to them: for `prove` and for archives."""

from collections.abc import Callable, Iterator, Sequence
from functools import cache
from typing import Any, NamedTuple

from sqlalchemy import Table, TextClause, text

from meterlink.record.chain import Line
from meterlink.record.schema import JOB, SEAL
from meterlink.record.seal import Seal
from meterlink.record.store import Job, Store

_PAGE = 2000
_LOWEST = -(2**31)


@cache
def _queries(dialect: str) -> "_Queries":
    """Write the queries so that all comes back as bytes: a text that is no UTF-8 any more must be found in a file, and
    not stop the search. A server keeps no such text.
    """
    in_a_file = dialect == "sqlite"

    def raw(name: str) -> str:
        return f"CAST({name} AS BLOB)" if in_a_file else f"convert_to(CAST({name} AS TEXT), 'UTF8')"

    frame = "CAST(raw AS BLOB)" if in_a_file else "raw"
    nothing = "x''" if in_a_file else "''::bytea"
    given = "CAST(:job AS TEXT)" if in_a_file else "convert_from(:job, 'UTF8')"
    columns = ", ".join(raw(name) for name in ("monotonic_ns", "utc_ns", "kind", "body"))
    return _Queries(
        events=text(
            f"SELECT CAST(seq AS INTEGER), {columns}, {frame}, coalesce({raw('sha256')}, {nothing}) "  # noqa: S608
            f"FROM event WHERE job = {given} AND seq > :after ORDER BY seq LIMIT :most"
        ),
        job=text(f"SELECT {_all(JOB, raw)} FROM job WHERE id = {given}"),  # noqa: S608 - the names of our own columns
        seals=text(f"SELECT {_all(SEAL, raw)} FROM seal WHERE job = {given} ORDER BY events"),  # noqa: S608 - as above
        ids=text(f"SELECT {raw('id')} FROM job UNION SELECT DISTINCT {raw('job')} FROM event ORDER BY 1"),  # noqa: S608
    )


class _Queries(NamedTuple):
    events: TextClause
    job: TextClause
    seals: TextClause
    ids: TextClause


def _all(table: Table, raw: Callable[[str], str]) -> str:
    return ", ".join(raw(column.name) for column in table.columns)


def _rows(store: Store, which: str, **values: object) -> Sequence[Any]:
    with store.reading() as connection:
        return connection.execute(getattr(_queries(connection.dialect.name), which), values).all()


def job_ids(store: Store) -> list[str]:
    """Return the ids of all jobs of which anything is there."""
    return [_text(each) or "" for (each,) in _rows(store, "ids")]


def job_as_found(store: Store, job_id: str) -> Job | None:
    """Return a job's own line; None where there is none."""
    rows = _rows(store, "job", job=_bytes(job_id))
    if not rows:
        return None
    values: dict[str, Any] = {column.name: _text(value) for column, value in zip(JOB.columns, rows[0], strict=True)}
    for name in ("started_utc_ns", "utc_offset_s"):
        values[name] = _whole(values[name])
    return Job(**values)


def lines_as_found(store: Store, job_id: str, own_hash: str, after: int = _LOWEST) -> Iterator[Line]:
    """Return a job's log in order, read a page at a time.

    Args:
        store: the record.
        job_id: whose log.
        own_hash: the hash of the line before the first: the job's own, or that of line `after`.
        after: only lines of a higher number.
    """
    last, prev = after, own_hash.encode("utf-8", "replace")
    while True:
        rows = _rows(store, "events", job=_bytes(job_id), after=last, most=_PAGE)
        for seq, monotonic_ns, utc_ns, kind, body, raw, sha256 in rows:
            yield Line(seq, monotonic_ns, utc_ns, kind, body, raw, prev, sha256)
            last, prev = seq, sha256
        if len(rows) < _PAGE:
            return


def seals_as_found(store: Store, job_id: str) -> list[Seal]:
    """Return a job's seals, oldest first; what is no text or number any more holds for nothing."""
    rows = _rows(store, "seals", job=_bytes(job_id))
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
