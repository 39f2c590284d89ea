"""How many readings a second an office takes in, beside what the broker's client and the database do by themselves.

    python tests/ingest_figures.py [--postgresql] [--short]

First as fast as it goes: crews that have been away send what they have, in packs as a relay makes them. The ceilings
are measured beside it, with the same payloads and the same rows: a bare aiomqtt client that publishes and receives them
back, and a bare `executemany` into a table of the same columns, committed as durably, in transactions as large as the
office's are then. Required is half of the lower one. Since a machine that others share is quick and slow by turns, all
three are measured one after the other in several rounds, each with a store of its own; the median of the rounds' shares
counts.

Then 500 crews with 10 readings a second each, a commit every quarter of a second: the lag is from the moment a pack is
due to its acknowledgement, with the office's commit in between. Required are 2 s at the 99th percentile.
"""

import asyncio
import math
import os
import sqlite3
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing, suppress
from dataclasses import dataclass, replace
from itertools import count
from pathlib import Path
from statistics import median, quantiles

import aiomqtt
import psycopg
from sqlalchemy import make_url

from brokers import Mosquitto
from crews import broker_at
from databases import one_if_asked_for
from meterlink.reading import Instant
from meterlink.record.chain import Line, canonical, digest
from meterlink.record.codec import to_entry
from meterlink.record.store import Job, Store
from meterlink.record.take_in import event_row
from meterlink.record.written import written_job
from meterlink.relay import topics
from meterlink.relay.broker import Session, connected
from meterlink.relay.pack import write_pack
from office_storm import OfficeProcess
from record_samples import SOURCE, STARTED_UTC_NS, reading

_PACK = 256
"""Readings a pack, as of a relay that catches up."""
_GROUP = 20
"""Packs that share a transaction of the bare statement. A busy office's had up to 234; with 80 it was no quicker."""
_IN_FLIGHT = 60
_WIDEST = 8
"""Packs of a crew that are on their way unacknowledged, as a relay has."""
_KEY = "ab" * 32
_COLUMNS = ("job", "seq", "kind", "monotonic_ns", "utc_ns", "body", "raw", "sha256")


@dataclass(frozen=True, slots=True)
class Round:
    """Readings a second: sustained, and of the two ceilings."""

    taken_in: float
    echo: float
    executemany: float

    @property
    def share(self) -> float:
        """Of the lower ceiling."""
        return self.taken_in / min(self.echo, self.executemany)


@dataclass(frozen=True, slots=True)
class Figures:
    """What came out."""

    rounds: list[Round]
    lag_ms: tuple[float, float, float]
    """Median, 99th percentile, longest."""
    live: float
    """Readings a second during the second part."""
    busy: tuple[float, float]
    """Processor time of the office's process a reading, in microseconds: catching up, and live."""
    bytes_stored: float
    """A reading."""
    bytes_sent: tuple[float, float]
    """A reading, in packs of a relay that catches up, and live."""

    @property
    def share(self) -> float:
        """Of the lower ceiling, in the middle one of the rounds."""
        return median(each.share for each in self.rounds)

    def __str__(self) -> str:
        return "\n".join(
            [
                f"taken in, checked, durable:  {median(each.taken_in for each in self.rounds):9,.0f} readings/s",
                f"bare aiomqtt echo:           {median(each.echo for each in self.rounds):9,.0f} readings/s",
                f"bare executemany:            {median(each.executemany for each in self.rounds):9,.0f} readings/s",
                f"share of the lower ceiling:  {self.share:9.2f} (at least 0.5), by rounds "
                + " ".join(f"{each.share:.2f}" for each in self.rounds),
                f"live, {self.live:,.0f} readings/s: lag {self.lag_ms[0]:.0f} ms, "
                f"99th percentile {self.lag_ms[1]:.0f} ms (under 2000), longest {self.lag_ms[2]:.0f} ms",
                f"the office's processor time a reading: {self.busy[0]:.0f} us catching up, {self.busy[1]:.0f} us live",
                f"bytes a reading: {self.bytes_stored:.0f} stored; {self.bytes_sent[0]:.0f} sent by a relay that "
                f"catches up, {self.bytes_sent[1]:.0f} live",
            ]
        )


def invented_job(number: int) -> Job:
    job = Job(
        id=f"20261125-{number:04}",
        procedure="two-points",
        title="Two points",
        revision="7",
        source=SOURCE,
        source_sha256="",
        meter="sim:healthy",
        meter_identity=None,
        software="steadypoint",
        started_utc_ns=STARTED_UTC_NS,
        utc_offset_s=0,
        device=_KEY,
        sealing="at-end",
    )
    return replace(job, sha256=digest(job.text).decode())


def invented_lines(job: Job, count: int) -> Iterator[Line]:
    """Readings, 10 a second, linked."""
    prev = (job.sha256 or "").encode()
    for seq in range(1, count + 1):
        ms = seq * 100
        entry = to_entry(reading(f"24.{seq * 7 % 100:02}", ms))
        at: Instant = entry.at
        times = str(at.monotonic_ns).encode(), str(at.utc_ns).encode()
        line = Line(seq, *times, b"reading", canonical(entry.body), entry.raw, prev, b"")
        line = line._replace(sha256=digest(line.text))
        prev = line.sha256
        yield line


@dataclass(slots=True)
class Load:
    """What one crew sends: its packs, in order."""

    device: str
    job: Job
    lines: list[Line]
    packs: list[bytes]


def load(number: int, readings: int, pack: int) -> Load:
    job = invented_job(number)
    lines = list(invented_lines(job, readings))
    parts = [lines[start : start + pack] for start in range(0, readings, pack)]
    packs = [write_pack(job, written_job(job) if n == 0 else None, part) for n, part in enumerate(parts)]
    return Load(f"crew-{number}", job, lines, packs)


def client(port: int) -> aiomqtt.Client:
    made = aiomqtt.Client("127.0.0.1", port, protocol=aiomqtt.ProtocolVersion.V5, max_inflight_messages=500, timeout=60)
    made.pending_calls_threshold = 100_000
    return made


async def echo(port: int, loads: Sequence[Load]) -> float:
    """Readings a second that a bare client publishes and receives back, a pack a message."""
    packs = [pack for each in loads for pack in each.packs]
    async with client(port) as both:
        await both.subscribe("bare/echo", qos=1)
        begin = time.perf_counter()
        free = asyncio.Semaphore(_IN_FLIGHT)

        async def send() -> None:
            async with asyncio.TaskGroup() as group:
                for pack in packs:
                    await free.acquire()
                    group.create_task(both.publish("bare/echo", pack, qos=1))

        sending = asyncio.ensure_future(send())
        came = 0
        async for _ in both.messages:
            free.release()
            came += 1
            if came == len(packs):
                break
        await sending
        return sum(len(each.lines) for each in loads) / (time.perf_counter() - begin)


def executemany(url: str, loads: Sequence[Load]) -> float:
    """Rows a second of a bare `executemany`, each transaction as large as a busy office's, and as durable."""
    rows = [tuple(event_row(each.job.id, line)[name] for name in _COLUMNS) for each in loads for line in each.lines]
    groups = [rows[start : start + _PACK * _GROUP] for start in range(0, len(rows), _PACK * _GROUP)]
    columns = (
        "job text, seq integer, kind text, monotonic_ns bigint, utc_ns bigint, body text, raw {blob}, sha256 text, "
        "PRIMARY KEY (job, seq)"
    )
    if url.startswith("sqlite"):
        with closing(sqlite3.connect(make_url(url).database or "", isolation_level=None)) as file:
            file.execute("PRAGMA journal_mode = WAL")
            file.execute("PRAGMA synchronous = FULL")
            file.execute(f"CREATE TABLE event ({columns.format(blob='blob')}) WITHOUT ROWID")
            begin = time.perf_counter()
            for group in groups:
                file.execute("BEGIN IMMEDIATE")
                file.executemany("INSERT INTO event VALUES (?, ?, ?, ?, ?, ?, ?, ?)", group)
                file.execute("COMMIT")
            return len(rows) / (time.perf_counter() - begin)
    with psycopg.connect(url, autocommit=True) as server, server.cursor() as cursor:
        cursor.execute(f"CREATE TABLE bare ({columns.format(blob='bytea')})")
        begin = time.perf_counter()
        for group in groups:
            with server.transaction():
                cursor.executemany("INSERT INTO bare VALUES (%s, %s, %s, %s, %s, %s, %s, %s)", group)
        took = time.perf_counter() - begin
        cursor.execute("DROP TABLE bare")
        return len(rows) / took


async def taken_in(port: int, loads: Sequence[Load]) -> float:
    """Readings a second from the first pack to the last acknowledgement, several crews at once."""
    total = sum(len(each.lines) for each in loads)
    left = {each.job.id: len(each.lines) for each in loads}
    async with client(port) as crews:
        await crews.subscribe("steadypoint/1/office/+/ack/+", qos=1)
        progress = {each.job.id: asyncio.Event() for each in loads}
        acked = dict.fromkeys(left, 0)
        begin = time.perf_counter()

        async def send(each: Load) -> None:
            topic, job = topics.log(each.device, each.job.id), each.job.id
            for number, pack in enumerate(each.packs):
                while number * _PACK - acked[job] >= _WIDEST * _PACK:
                    progress[job].clear()
                    await progress[job].wait()
                await crews.publish(topic, pack, qos=1)

        sending = [asyncio.ensure_future(send(each)) for each in loads]
        async for message in crews.messages:
            job = topics.acknowledged_job(message.topic.value)
            ack = _ack(message.payload)
            acked[job] = max(acked[job], ack)
            progress[job].set()
            if all(acked[name] >= count for name, count in left.items()):
                break
        took = time.perf_counter() - begin
        await asyncio.gather(*sending)
        return total / took


def _ack(payload: bytes) -> int:
    from meterlink.relay.ack import Why, read_ack

    ack = read_ack(payload)
    assert ack is not None
    assert ack.why is Why.TAKEN, ack
    return ack.seq


async def lags(port: int, loads: Sequence[Load], apart_s: float, connections: int) -> list[float]:
    """Seconds from the moment that each pack is due to its acknowledgement."""
    begin = time.perf_counter() + 1.0
    found: list[float] = []
    everybody = [loads[start::connections] for start in range(connections)]
    await asyncio.gather(*(_crews(port, some, begin, apart_s, found) for some in everybody))
    return found


async def _crews(port: int, loads: Sequence[Load], begin: float, apart_s: float, found: list[float]) -> None:
    due: dict[str, list[tuple[int, float]]] = {each.job.id: [] for each in loads}
    rounds = max(len(each.packs) for each in loads)
    everything, all_there = asyncio.Event(), asyncio.Event()

    def hear(message: aiomqtt.Message) -> None:
        now, ack = time.perf_counter(), _ack(message.payload)
        waiting = due[topics.acknowledged_job(message.topic.value)]
        while waiting and waiting[0][0] <= ack:
            found.append(now - waiting.pop(0)[1])
        if everything.is_set() and not any(due.values()):
            all_there.set()

    session = Session(f"crews-{loads[0].device}", receive_maximum=500)
    async with connected(broker_at(f"mqtt://127.0.0.1:{port}"), session, hear) as crews:
        await crews.subscribe([(topics.ack(each.device, "+"), 1) for each in loads])
        publishing = set()
        for number in range(rounds):
            for order, each in enumerate(loads):
                at = begin + (number + order / len(loads)) * apart_s  # crews do not commit in step
                await asyncio.sleep(max(0.0, at - time.perf_counter()))
                last = min(len(each.lines), (number + 1) * (len(each.lines) // len(each.packs)))
                due[each.job.id].append((last, at))
                task = asyncio.ensure_future(
                    crews.publish(topics.log(each.device, each.job.id), each.packs[number], qos=1, timeout=math.inf)
                )
                publishing.add(task)
                task.add_done_callback(publishing.discard)
        everything.set()
        with suppress(TimeoutError):
            async with asyncio.timeout(30):
                await all_there.wait()
        assert not any(due.values()), "packs were not acknowledged"


async def measure(
    folder: Path, new_store: Callable[[], str], *, rounds: int, crews: int, readings: int, live: int, seconds: float
) -> Figures:
    """Measure with an office in a process of its own.

    Args:
        folder: an empty one.
        new_store: makes an empty store.
        rounds: how often crews catch up.
        crews: that do.
        readings: of each.
        live: crews that work at 10 readings a second.
        seconds: how long they do.
    """
    catching_up = [load(number, readings, _PACK) for number in range(crews)]
    at_work = [load(number, round(seconds * 10), 5) for number in range(live)]
    lines, lines_live = (sum(len(each.lines) for each in some) for some in (catching_up, at_work))
    taken, used_s = [], 0.0
    with Mosquitto(folder / "broker", more="max_inflight_messages 100\nmax_queued_messages 10000") as broker:
        for url in (stores := [new_store() for _ in range(rounds)]):
            bare = await echo(broker.port, catching_up)
            many = executemany(new_store(), catching_up)
            async with Running(folder / "office", broker, url) as office:
                await taken_in(broker.port, [load(9000, 2 * _PACK, _PACK)])  # it is up, and everything is imported
                before = office.processor_s()
                taken.append(Round(await taken_in(broker.port, catching_up), bare, many))
                used_s += office.processor_s() - before
        async with Running(folder / "office", broker, new_store()) as office:
            await taken_in(broker.port, [load(9000, 2 * _PACK, _PACK)])
            before = office.processor_s()
            found = await lags(broker.port, at_work, 0.5, 25)
            used_live_s = office.processor_s() - before
    ms = [each * 1000 for each in found]
    cuts = quantiles(ms, n=100)
    sent = [
        sum(map(len, (pack for each in some for pack in each.packs))) / sum(len(each.lines) for each in some)
        for some in (catching_up, at_work)
    ]
    return Figures(
        rounds=taken,
        lag_ms=(cuts[49], cuts[98], max(ms)),
        live=live * 10.0,
        busy=(used_s / rounds / lines * 1e6, used_live_s / lines_live * 1e6),
        bytes_stored=_size(stores[-1]) / lines,
        bytes_sent=(sent[0], sent[1]),
    )


class Running:
    def __init__(self, home: Path, broker: Mosquitto, url: str) -> None:
        self._process = OfficeProcess(home, broker.url, url)
        self._log = home / "office.log"

    async def __aenter__(self) -> OfficeProcess:
        self._log.unlink(missing_ok=True)
        self._process.start()
        until = time.monotonic() + 30
        while time.monotonic() < until:
            if self._log.exists() and "taking in" in self._log.read_text(encoding="utf-8"):
                return self._process
            await asyncio.sleep(0.1)
        raise AssertionError(self._log.read_text(encoding="utf-8"))

    async def __aexit__(self, *_: object) -> None:
        self._process.kill()


def _size(url: str) -> int:
    """Bytes of the store."""
    with Store.at(url) as store, store.writing("") as connection:
        if connection.dialect.name == "sqlite":
            pages = connection.exec_driver_sql("PRAGMA page_count").scalar_one()
            return int(pages) * int(connection.exec_driver_sql("PRAGMA page_size").scalar_one())
        return int(connection.exec_driver_sql("SELECT pg_total_relation_size('event')").scalar_one())


def main() -> None:
    short = "--short" in sys.argv
    with one_if_asked_for() as server, tempfile.TemporaryDirectory() as folder:
        numbers = count()

        def new_store() -> str:
            return server.database() if server else f"sqlite:///{folder}/{next(numbers)}.sqlite3"

        figures = asyncio.run(measure(Path(folder), new_store, **(SHORT if short else FULL)))  # type: ignore[arg-type]
    print(f"{os.cpu_count()} processors, {'PostgreSQL' if server else 'SQLite'}\n{figures}")  # noqa: T201
    sys.exit(0 if figures.share >= 0.5 and figures.lag_ms[1] < 2000 else 1)


FULL = {"rounds": 5, "crews": 40, "readings": 12_800, "live": 500, "seconds": 20.0}
SHORT = {"rounds": 1, "crews": 10, "readings": 2560, "live": 50, "seconds": 5.0}


if __name__ == "__main__":
    main()
