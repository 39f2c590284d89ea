"""Invented crews: each with a home folder, a job that grows, and a relay."""

import time
from dataclasses import dataclass, replace
from pathlib import Path

from sqlalchemy import select

from meterlink.note import Note
from meterlink.reading import Instant
from meterlink.record.codec import to_entry
from meterlink.record.device_key import DeviceKey, device_key
from meterlink.record.entry import Entry, Kind
from meterlink.record.photos import keep_photo
from meterlink.record.schema import EVENT, JOB, SEAL
from meterlink.record.store import Store
from meterlink.relay.address import parse_address
from meterlink.relay.broker import Broker
from meterlink.relay.relay import relaying
from record_samples import begin, end, probe, reading


def broker_at(url: str) -> Broker:
    return Broker(parse_address(url, insecure=False))


@dataclass
class Crew:
    """One home folder with one job."""

    folder: Path
    store: Store
    key: DeviceKey
    job: str
    started_ns: int
    ms: int = 0

    @classmethod
    def begin(cls, folder: Path) -> "Crew":
        folder.mkdir(exist_ok=True)
        key, store, now = device_key(folder), Store.open(folder), time.time_ns()
        first = to_entry(replace(probe("battery", 0), at=Instant(0, now)))
        job = begin(store, [first], started_utc_ns=now, device=key.public_key)
        return cls(folder, store, key, job, now)

    @property
    def at(self) -> Instant:
        """How far this crew is."""
        ns = self.ms * 1_000_000
        return Instant(ns, self.started_ns + ns)

    def work(self, readings: int, *, apart_ms: int = 200) -> None:
        """Store so many readings, and a cue, in one commit."""
        entries: list[Entry] = []
        for _ in range(readings):
            self.ms += apart_ms
            entries.append(to_entry(replace(reading(f"24.{self.ms // apart_ms % 100:02}", 0), at=self.at)))
        self.store.append(self.job, [*entries, to_entry(replace(probe("fuse", 0), at=self.at))])

    def photograph(self, data: bytes) -> None:
        photo = keep_photo(self.folder, data, "terminal.jpg", "image/jpeg")
        self.store.append(self.job, [to_entry(Note("What the terminal looks like", "technician", self.at, photo))])

    def finish(self) -> None:
        self.store.append(self.job, [to_entry(replace(end(0, complete=True), at=self.at))], sealed_by=self.key)

    async def relay(self, url: str, *, once: bool = False, patience_s: float = 60.0) -> None:
        """Run this crew's relay, with a connection of its own."""
        with Store.open(self.folder) as store:
            public = self.key.public_key.hex()
            await relaying(
                self.folder, store, public, broker_at(url), lambda news: None, once=once, patience_s=patience_s
            )


def rows(store: Store, job: str) -> list[tuple[object, ...]]:
    """Everything that a store holds of a job: its own line, events, seals; nothing left out."""
    found: list[tuple[object, ...]] = []
    with store.reading() as connection:
        for table, column, order in (
            (JOB, JOB.c.id, JOB.c.id),
            (EVENT, EVENT.c.job, EVENT.c.seq),
            (SEAL, SEAL.c.job, SEAL.c.events),
        ):
            query = select(table).where(column == job).order_by(order)
            found.extend(tuple(row) for row in connection.execute(query))
    return found


def kinds(store: Store, job: str) -> list[Kind]:
    return [event.kind for event in store.events(job)]
