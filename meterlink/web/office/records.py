"""What the office's page reads from the store. It blocks: call it in a thread."""

import json
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import islice

from sqlalchemy import Connection, func, select

from meterlink.errors import RecordError
from meterlink.office.alerts import Link
from meterlink.office.plan import Plan, plan_of
from meterlink.office.register import NO_SITE
from meterlink.office.shown import stored_reading
from meterlink.reading import Reading
from meterlink.record.entry import Event, Kind
from meterlink.record.schema import ASIDE, DEVICE, EVENT, JOB, MESSAGE, PROGRESS, STATUS
from meterlink.record.store import AS_EVENT, Job, Store, event_of

_MOST_NOTES = 20


@dataclass(frozen=True, slots=True)
class Grown:
    """What is new of a job."""

    job: Job
    device: str
    received_utc_ns: int
    """When the office last took in a line of it."""
    plan: Plan
    events: Sequence[Event]
    """Lines that are no readings, in order."""
    reading: Reading | None
    """The newest; None where there is none."""


@dataclass(frozen=True, slots=True)
class Message:
    """A note from the office, and how far it has come."""

    id: str
    text: str
    by: str
    utc_ns: int
    heard: bool
    """Whether the crew's log says that it was heard."""


class Records:
    """Reads."""

    def __init__(self, store: Store) -> None:
        self._store = store

    def newest_jobs(self, since_utc_ns: int, most: int) -> list[str]:
        """Return the jobs of which something came since, the newest first."""
        recent = select(PROGRESS.c.job).where(PROGRESS.c.received_utc_ns >= since_utc_ns)
        with self._store.reading() as connection:
            return list(connection.execute(recent.order_by(PROGRESS.c.received_utc_ns.desc()).limit(most)).scalars())

    def grown(self, after: Mapping[str, int]) -> dict[str, Grown]:
        """Return what is new of these jobs.

        Args:
            after: by job, the number of the last line that is known.
        """
        with self._store.reading() as connection:
            found = {}
            for job_id, seq in after.items():
                grown = self._grown(connection, job_id, seq)
                if grown is not None:
                    found[job_id] = grown
        return found

    def _grown(self, connection: Connection, job_id: str, seq: int) -> Grown | None:
        own = select(JOB, PROGRESS.c.device.label("crew"), PROGRESS.c.received_utc_ns.label("received"))
        row = connection.execute(own.join(PROGRESS, PROGRESS.c.job == JOB.c.id).where(JOB.c.id == job_id)).first()
        if row is None:
            return None
        values = dict(row._mapping)
        crew, received = values.pop("crew"), values.pop("received")
        job = Job(**values)
        lines = select(*AS_EVENT).where(EVENT.c.job == job_id, EVENT.c.seq > seq, EVENT.c.kind != Kind.READING.value)
        events = [event_of(line) for line in connection.execute(lines.order_by(EVENT.c.seq))]
        return Grown(job, crew, received, _plan(job.source), events, self._newest_reading(connection, job_id))

    @staticmethod
    def _newest_reading(connection: Connection, job_id: str) -> Reading | None:
        readings = select(*AS_EVENT).where(EVENT.c.job == job_id, EVENT.c.kind == Kind.READING.value)
        row = connection.execute(readings.order_by(EVENT.c.seq.desc()).limit(1)).first()
        return stored_reading(event_of(row)) if row is not None else None

    def links(self, devices: Collection[str] | None = None) -> dict[str, Link]:
        """Return what crews' relays said last, by device; of all, unless told."""
        statuses = select(STATUS)
        if devices is not None:
            statuses = statuses.where(STATUS.c.device.in_(devices))
        with self._store.reading() as connection:
            return {row.device: _link(row.body, row.received_utc_ns) for row in connection.execute(statuses)}

    def sites(self) -> dict[str, str]:
        """Return where each device belongs."""
        with self._store.reading() as connection:
            return {row.name: row.site for row in connection.execute(select(DEVICE.c.name, DEVICE.c.site))}

    def asides(self, device: str, since_utc_ns: int) -> int:
        """Return how many messages of a device were refused since."""
        count = select(func.count()).where(ASIDE.c.device == device, ASIDE.c.utc_ns >= since_utc_ns)
        with self._store.reading() as connection:
            return int(connection.execute(count).scalar_one())

    def messages(self, device: str) -> list[Message]:
        """Return the newest notes to a device, the newest first."""
        newest = select(MESSAGE).where(MESSAGE.c.device == device).order_by(MESSAGE.c.utc_ns.desc()).limit(_MOST_NOTES)
        with self._store.reading() as connection:
            rows = connection.execute(newest).all()
        return [Message(row.id, row.text, row.by, row.utc_ns, row.job is not None) for row in rows]

    def owner(self, job_id: str) -> tuple[str, str]:
        """Return the device that a job is of, and its site.

        Raises:
            RecordError: there is no such job here.
        """
        own = select(PROGRESS.c.device, DEVICE.c.site).join(DEVICE, DEVICE.c.name == PROGRESS.c.device, isouter=True)
        with self._store.reading() as connection:
            row = connection.execute(own.where(PROGRESS.c.job == job_id)).first()
        if row is None:
            raise RecordError(f"no job {job_id[:60]!r} is here")
        return row.device, row.site or NO_SITE

    def job(self, job_id: str) -> Job:
        """Return a job's own line.

        Raises:
            RecordError: there is no such job here.
        """
        return self._store.job(job_id)

    def lines(self, job_id: str, after: int, most: int) -> list[Event]:
        """Return a job's next lines, readings too."""
        return list(islice(self._store.events(job_id, after=after), most))

    def last_line(self, job_id: str) -> int:
        """Return the number of a job's last line; 0 where there is none."""
        return self._store.last_number(job_id)


@lru_cache(maxsize=64)
def _plan(source: str) -> Plan:
    return plan_of(source)


def _link(body: str, received_utc_ns: int) -> Link:
    """Read a status as `read_status` keeps it: the values are scalars of any type."""
    said = json.loads(body)
    meter, battery, job = said.get("meter"), said.get("battery"), said.get("job")
    link = Link(
        online=said.get("online") is True,
        meter=meter[:40] if isinstance(meter, str) else "unknown",
        battery=battery if isinstance(battery, int) and not isinstance(battery, bool) and 0 <= battery <= 100 else None,
        job=job if isinstance(job, str) else None,
        heard_utc_ns=received_utc_ns,
    )
    return link.after(None)
