"""All jobs that the office has, searched, and what was refused. It blocks: call it in a thread."""

from collections import OrderedDict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Any

from sqlalchemy import ColumnElement, and_, func, or_, select

from meterlink.errors import UsageError
from meterlink.office.aside import refusals
from meterlink.office.register import NO_SITE
from meterlink.outcome import Json, VerdictOutcome
from meterlink.reading import NS_PER_S
from meterlink.record.schema import DEVICE, GONE, JOB, PROGRESS
from meterlink.record.store import Store
from meterlink.record.summary import SUMMARY_KINDS, JobState, summarise

_PAGE = 50
_MOST_LOOKED_AT = 1000
"""So many jobs are worked out for one answer where the outcome is asked for; the page asks on from there."""
_KEPT = 2000
_LONGEST = 200
_MS = 1_000_000
OUTCOMES = ("complete", "stopped", "interrupted", "failed")


@dataclass(frozen=True, slots=True)
class Wanted:
    """Which jobs."""

    text: str = ""
    """In any of lift, site, device, job, procedure's title."""
    lift: str = ""
    site: str = ""
    device: str = ""
    begin: date | None = None
    end: date | None = None
    """The last day that counts, in UTC."""
    outcome: str = ""
    """`complete`, `stopped`, `interrupted`, or `failed` for any with a fail."""
    before: tuple[int, str] | None = None
    """Where the page before ended: start and id of its last job."""

    @classmethod
    def of(cls, query: Mapping[str, str]) -> "Wanted":
        """Read what a page asks for.

        Raises:
            UsageError: it is not in that form.
        """
        texts = {name: query.get(name, "").strip()[:_LONGEST] for name in ("text", "lift", "site", "device", "outcome")}
        if texts["outcome"] not in ("", *OUTCOMES):
            raise UsageError(f"outcome: expected one of {', '.join(OUTCOMES)}")
        begin, end = (_day(query.get(name, ""), name) for name in ("begin", "end"))
        start, _, job = query.get("before", "").partition(" ")
        before = (int(start), job) if start.isascii() and start.isdigit() and len(start) < 20 else None
        return cls(**texts, begin=begin, end=end, before=before)


class History:
    """Searches."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._summaries: OrderedDict[tuple[str, int], Json] = OrderedDict()

    def jobs(self, wanted: Wanted) -> Json:
        """Return a page of jobs, newest first, and from where to ask on."""
        found: list[Json] = []
        before, looked = wanted.before, 0
        while len(found) < _PAGE and looked < _MOST_LOOKED_AT:
            rows = self._rows(wanted, before)
            for row in rows:
                looked, before = looked + 1, (row.started_utc_ns, row.id)
                summary = self._summary(row.id, row.seq)
                if not wanted.outcome or wanted.outcome in (summary["state"], "failed" if summary["fail"] else ""):
                    found.append({**_row(row), **summary})
                if len(found) == _PAGE:
                    break
            if len(rows) < _PAGE:
                return {"jobs": found, "before": None}
        return {"jobs": found, "before": f"{before[0]} {before[1]}" if before else None}

    def gone(self) -> list[Json]:
        """Return the jobs that left as archives, the newest first."""
        newest = select(GONE).order_by(GONE.c.utc_ns.desc()).limit(_PAGE)
        with self._store.reading() as connection:
            rows = connection.execute(newest).all()
        return [
            {"job": row.job, "device": row.device, "site": row.site, "at": row.utc_ns // _MS, "archive": row.archive}
            for row in rows
        ]

    def aside(self, device: str, before: int | None) -> Json:
        """Return what was refused, the newest first, its payload as text."""
        rows = refusals(self._store, _PAGE, device=device, before=before)
        found = [
            {
                "id": row.id,
                "at": row.utc_ns // _MS,
                "device": row.device,
                "job": row.job,
                "reason": row.reason,
                "size": row.size,
                "kept": len(row.payload),
                "payload": as_text(row.payload),
            }
            for row in rows
        ]
        return {"aside": found, "before": rows[-1].id if len(rows) == _PAGE else None}

    def _rows(self, wanted: Wanted, before: tuple[int, str] | None) -> Sequence[Any]:
        site = func.coalesce(DEVICE.c.site, NO_SITE)
        own = (JOB.c.id, JOB.c.title, JOB.c.revision, JOB.c.lift, JOB.c.operator, JOB.c.started_utc_ns)
        rows = select(*own, PROGRESS.c.device, PROGRESS.c.seq, PROGRESS.c.sealed, site.label("site"))
        rows = rows.join(PROGRESS, PROGRESS.c.job == JOB.c.id)
        rows = rows.join(DEVICE, DEVICE.c.name == PROGRESS.c.device, isouter=True)
        conditions: list[ColumnElement[bool]] = []
        if wanted.text:
            anywhere = (JOB.c.lift, site, PROGRESS.c.device, JOB.c.id, JOB.c.title, JOB.c.procedure)
            conditions.append(or_(*(_has(column, wanted.text) for column in anywhere)))
        for column, text in ((JOB.c.lift, wanted.lift), (site, wanted.site), (PROGRESS.c.device, wanted.device)):
            if text:
                conditions.append(_has(column, text))
        if wanted.begin:
            conditions.append(JOB.c.started_utc_ns >= _ns(wanted.begin))
        if wanted.end:
            conditions.append(JOB.c.started_utc_ns < _ns(wanted.end + timedelta(days=1)))
        if before:
            same = and_(JOB.c.started_utc_ns == before[0], JOB.c.id < before[1])
            conditions.append(or_(JOB.c.started_utc_ns < before[0], same))
        rows = rows.where(*conditions).order_by(JOB.c.started_utc_ns.desc(), JOB.c.id.desc()).limit(_PAGE)
        with self._store.reading() as connection:
            return connection.execute(rows).all()

    def _summary(self, job: str, seq: int) -> Json:
        """Work out what a job came to, once for as long as it does not grow."""
        key = job, seq
        if key not in self._summaries:
            self._summaries[key] = self._worked_out(job)
            if len(self._summaries) > _KEPT:
                self._summaries.popitem(last=False)
        return self._summaries[key]

    def _worked_out(self, job: str) -> Json:
        try:
            summary = summarise(self._store.events(job, SUMMARY_KINDS))
            counts = {each.value: summary.count(each) for each in VerdictOutcome}
            lost = summary.lost_between
            ended = summary.end.at.utc_ns // _MS if summary.end else None
            state = summary.state.value
        except (KeyError, TypeError, ValueError):  # a crew's log may say anything
            counts, lost, ended, state = {}, None, None, JobState.INTERRUPTED.value
        return {
            "state": state,
            "counts": counts,
            "fail": bool(counts.get("fail")),
            "lost_between": list(lost) if lost else None,
            "ended": ended,
        }


def as_text(payload: bytes) -> str:
    """Return bytes as text: what is no printable character of UTF-8 stands as an escape, but for ends of lines."""
    text = payload.decode("utf-8", "backslashreplace")
    return "".join(
        sign if sign.isprintable() or sign == "\n" else sign.encode("unicode_escape").decode() for sign in text
    )


def _row(row: Any) -> Json:
    kept = {name: getattr(row, name) for name in ("title", "revision", "lift", "operator", "device", "site")}
    return {"job": row.id, "started": row.started_utc_ns // _MS, "sealed": row.sealed == row.seq, **kept}


def _has(column: "ColumnElement[str]", text: str) -> ColumnElement[bool]:
    return func.lower(column).contains(text.lower(), autoescape=True)


def _day(text: str, name: str) -> date | None:
    if not text:
        return None
    try:
        return date.fromisoformat(text)
    except ValueError as error:
        raise UsageError(f"{name}: expected a day such as 2026-11-25") from error


def _ns(day: date) -> int:
    return round(datetime(day.year, day.month, day.day, tzinfo=UTC).timestamp()) * NS_PER_S
