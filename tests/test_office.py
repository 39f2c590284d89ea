"""Relay and office over a real mosquitto, on both databases: nothing lost, nobody in who should not be."""

import asyncio
import json
import random
import sqlite3
import time
from collections.abc import AsyncIterator, Iterator, Sequence
from contextlib import asynccontextmanager, closing
from dataclasses import replace
from pathlib import Path

import aiomqtt
import pytest

from brokers import BadNetwork, Mosquitto, needs_mosquitto
from commands import lines, started, steadypoint, steadypoint_apart
from crews import Crew, broker_at, rows
from databases import PostgreSQL, needs_postgresql
from meterlink.errors import RecordError, RefusedRowError, UsageError
from meterlink.office.aside import Refusal, refusals
from meterlink.office.feed import Change
from meterlink.office.intake import Came, Intake, Outcome
from meterlink.office.reader import Reader
from meterlink.office.register import Register
from meterlink.office.running import Running, make_office
from meterlink.record.as_found import job_as_found, lines_as_found
from meterlink.record.chain import digest
from meterlink.record.codec import to_entry
from meterlink.record.store import Store
from meterlink.record.stored_photo import stored_photo
from meterlink.record.written import written_job
from meterlink.relay import topics
from meterlink.relay.device import this_device
from meterlink.relay.pack import write_pack
from meterlink.relay.relay import NotAllThereError
from record_samples import begin, reading
from waiting import PATIENCE_S, until

pytestmark = needs_mosquitto


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    with Mosquitto(tmp_path / "broker") as running:
        yield running


@asynccontextmanager
async def office_on(store: Store, url: str, *, open_register: bool | None = None) -> AsyncIterator[Running]:
    """An office in this process, ready to hear."""
    running, ready = make_office(store, broker_at(url), open_register, lambda news: None), asyncio.Event()
    task = asyncio.ensure_future(running.office.run(ready.set))
    try:
        await asyncio.wait_for(ready.wait(), PATIENCE_S)
        yield running
        assert not task.done(), task
    finally:
        died = task.done()
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
    assert not died, task


@pytest.fixture
def crew(tmp_path: Path) -> Iterator[Crew]:
    crew = Crew.begin(tmp_path / "crew")
    crew.work(600)
    crew.photograph(random.Random(5).randbytes(400_000))
    crew.finish()
    yield crew
    crew.store.close()


def name_of(crew: Crew) -> str:
    return this_device(crew.folder, None, crew.key.public_key.hex()).name


async def test_the_office_s_copy_is_the_record_s(broker: Mosquitto, crew: Crew, store_url: str) -> None:
    with Store.at(store_url) as store:
        async with office_on(store, broker.url) as office:
            await crew.relay(broker.url, once=True)
            assert rows(store, crew.job) == rows(crew.store, crew.job)
            photo = next(each for each in (crew.folder / "photos").iterdir())
            assert stored_photo(store, crew.job, photo.name) == photo.read_bytes()
            events = office.office.counts.events
            await crew.relay(broker.url, once=True)  # there is nothing left to send
            assert office.office.counts.events == events
        assert refusals(store) == []
    proven = json.loads(steadypoint(crew.folder, "verify", crew.job, "--json", "--store", store_url).stdout)
    assert (proven["intact"], proven["sealed"], proven["events"]) == (True, True, 604)


async def test_two_offices_share_one_store(broker: Mosquitto, crew: Crew, store_url: str) -> None:
    with Store.at(store_url) as one, Store.at(store_url) as two:
        async with office_on(one, broker.url) as first, office_on(two, broker.url) as second:
            await crew.relay(broker.url, once=True)
            took = (first.office.counts.messages, second.office.counts.messages)
        assert min(took) > 2  # the broker dealt to both, statuses apart
        assert rows(one, crew.job) == rows(crew.store, crew.job)
        assert refusals(one) == []


async def test_a_log_that_grows_is_followed_and_shown_live(broker: Mosquitto, tmp_path: Path, store_url: str) -> None:
    with Store.at(store_url) as store:
        async with office_on(store, broker.url) as office:
            crew = Crew.begin(tmp_path / "crew")  # live is what is at most 10 s old
            relay = asyncio.ensure_future(crew.relay(broker.url))
            try:
                await until(lambda: len(rows(store, crew.job)) == 2)
                changes = office.feed.changes(0)
                seen = [change for batch in [await anext(changes)] for change in batch]
                cursor = max(change.cursor for change in seen)
                crew.work(5)
                await until(lambda: len(rows(store, crew.job)) == 8)
                (change,) = [each async for each in _until_job(office.feed.changes(cursor), crew.job)]
                assert change.cursor > cursor
                await until(office.feed.live)
                assert office.feed.live()[-1].records[-1]["v"] == 24.05
                assert office.feed.live(office.feed.live()[-1].number) == []
            finally:
                relay.cancel()
                await asyncio.gather(relay, return_exceptions=True)
    crew.store.close()


async def _until_job(batches: AsyncIterator[object], job: str) -> AsyncIterator[Change]:
    async for batch in batches:
        assert isinstance(batch, list)
        for each in batch:
            if each.about == "job" and each.name == job:
                yield each
                return


async def test_without_an_office_nothing_counts_as_sent(broker: Mosquitto, crew: Crew) -> None:
    with pytest.raises(NotAllThereError, match="has not answered"):
        await crew.relay(broker.url, once=True, patience_s=1.5)


async def test_without_a_broker_it_says_so(crew: Crew) -> None:
    with pytest.raises(NotAllThereError, match="Nothing is lost"):
        await crew.relay("mqtt://127.0.0.1:9", once=True, patience_s=1.0)


@needs_postgresql
async def test_a_database_that_crashes_is_waited_for(broker: Mosquitto, crew: Crew, postgresql: PostgreSQL) -> None:
    with Store.at(postgresql.database()) as store:
        async with office_on(store, broker.url):
            relay = asyncio.ensure_future(crew.relay(broker.url))
            try:
                await until(lambda: rows(store, crew.job))
                await asyncio.to_thread(postgresql.crash)
                await asyncio.to_thread(crew.work, 300)
                await until(lambda: _same(store, crew), timeout_s=60)
            finally:
                relay.cancel()
                await asyncio.gather(relay, return_exceptions=True)


def _same(store: Store, crew: Crew) -> bool:
    try:
        return rows(store, crew.job) == rows(crew.store, crew.job)
    except RecordError:  # a connection of before the crash
        return False


# Who is let in


async def test_only_enrolled_devices_are_taken_in(broker: Mosquitto, crew: Crew, store_url: str) -> None:
    with Store.at(store_url) as store:
        register = Register(store)
        register.enrol("crew-7", "Depot north", "ab" * 32, time.time_ns())
        async with office_on(store, broker.url):
            with pytest.raises(NotAllThereError, match="not registered here"):
                await crew.relay(broker.url, once=True)
            register.enrol(name_of(crew), "Depot north", "cd" * 32, time.time_ns())
            with pytest.raises(NotAllThereError, match="recorded by another key"):
                await crew.relay(broker.url, once=True)
            assert rows(store, crew.job) == []
            assert {each.reason.partition(":")[0] for each in refusals(store)} == {"foreign"}
            register.enrol(name_of(crew), "Depot north", crew.key.public_key.hex(), time.time_ns())
            await crew.relay(broker.url, once=True)
            assert rows(store, crew.job) == rows(crew.store, crew.job)
            register.revoke(name_of(crew), time.time_ns())
            crew.work(1)
            with pytest.raises(NotAllThereError, match="no longer"):
                await crew.relay(broker.url, once=True)
    shown = steadypoint(crew.folder, "office", "--aside", "--store", store_url).stdout
    assert "foreign: this device is not registered" in shown
    proven = steadypoint(crew.folder, "verify", crew.job, "--store", store_url)
    assert "known" in proven.stdout


def test_the_register_refuses_what_cannot_be(store_url: str) -> None:
    with Store.at(store_url) as store:
        register = Register(store)
        for name, site, key in (("Crew", "x", "ab" * 32), ("crew", "", "ab" * 32), ("crew", "x", "zz")):
            with pytest.raises(UsageError):
                register.enrol(name, site, key, 0)
        with pytest.raises(UsageError):
            register.revoke("nobody", 0)
        assert register.devices() == []


async def test_the_second_key_of_an_unknown_device_is_refused(
    broker: Mosquitto, tmp_path: Path, crew: Crew, store_url: str
) -> None:
    """Where nobody is enrolled, the first key under a name counts, and no other after it."""
    other = Crew.begin(tmp_path / "other")
    with Store.at(store_url) as store:
        async with office_on(store, broker.url, open_register=True):
            await crew.relay(broker.url, once=True)
            await publish(broker, topics.log(name_of(crew), other.job), pack_of(other))
            await until(lambda: refusals(store))
            assert rows(store, other.job) == []
    other.store.close()


def pack_of(crew: Crew, first: int = 1) -> bytes:
    job = job_as_found(crew.store, crew.job)
    assert job is not None
    found = [line for line in lines_as_found(crew.store, crew.job, job.sha256 or "") if line.seq >= first]
    return write_pack(job, written_job(job) if first == 1 else None, found[:100])


async def publish(broker: Mosquitto, topic: str, *payloads: bytes) -> None:
    async with aiomqtt.Client("127.0.0.1", broker.port, protocol=aiomqtt.ProtocolVersion.V5) as client:
        for payload in payloads:
            await client.publish(topic, payload, qos=1, timeout=PATIENCE_S)


async def test_forged_lines_are_kept_aside_and_the_true_ones_taken(
    broker: Mosquitto, crew: Crew, store_url: str
) -> None:
    job = job_as_found(crew.store, crew.job)
    assert job is not None
    true = list(lines_as_found(crew.store, crew.job, job.sha256 or ""))
    forged = true[3]._replace(body=b'{"display":"99.99"}')
    forged = forged._replace(sha256=digest(forged.text))
    topic = topics.log(name_of(crew), crew.job)
    with Store.at(store_url) as store:
        async with office_on(store, broker.url):
            await publish(
                broker,
                topic,
                write_pack(job, written_job(job), true[:2]),
                write_pack(job, None, [true[2], true[3]._replace(body=b"{}")]),
                write_pack(job, None, [true[2], forged, true[4]]),
                write_pack(replace(job, lift="L2"), written_job(replace(job, lift="L2")), []),
            )
            await until(lambda: len(refusals(store)) == 3)
            await crew.relay(broker.url, once=True)
            assert rows(store, crew.job) == rows(crew.store, crew.job)
        found: list[Refusal] = list(refusals(store))
        assert [each.reason.partition(":")[0] for each in found] == ["altered"] * 3
        assert all(each.payload for each in found)


async def test_no_payload_holds_up_those_that_follow(broker: Mosquitto, crew: Crew, store_url: str) -> None:
    """A fuzzer at the office's door: damaged, deep, huge, random; every topic. What is true still arrives."""
    randomly = random.Random(3)
    good = pack_of(crew)
    name = name_of(crew)

    def nasty() -> bytes:
        match randomly.randrange(6):
            case 0:
                return randomly.randbytes(randomly.randrange(2000))
            case 1:
                damaged = bytearray(good)
                for _ in range(randomly.randrange(1, 20)):
                    damaged[randomly.randrange(len(damaged))] = randomly.randrange(256)
                return bytes(damaged)
            case 2:
                return b"[" * randomly.randrange(1, 200_000)
            case 3:
                return good[: randomly.randrange(len(good))]
            case 4:
                return b'[{"n":"x","job":' + b'{"chain":' * randomly.randrange(1, 20_000)
            case _:
                return bytes(randomly.choice([255 * 1024 + 1, 290 * 1024]))

    with Store.at(store_url) as store:
        async with office_on(store, broker.url) as office:
            places = [topics.log(name, crew.job), topics.live(name, crew.job), topics.status(name)]
            for place in places:
                await publish(broker, place, *(nasty() for _ in range(60)))
            await publish(broker, topics.log("nobody-knows", "x" * 40), *(nasty() for _ in range(10)))
            await crew.relay(broker.url, once=True)
            assert rows(store, crew.job) == rows(crew.store, crew.job)
            assert office.office.counts.refused == len(refusals(store, 1000)) > 60
        assert {each.reason.partition(":")[0] for each in refusals(store, 1000)} <= {"malformed", "altered", "foreign"}
        assert max(len(each.payload) for each in refusals(store, 1000)) <= 4096


@pytest.mark.parametrize("trouble", [RefusedRowError, KeyError])
async def test_what_cannot_be_taken_in_is_kept_aside_and_holds_nobody_up(
    broker: Mosquitto, crew: Crew, store_url: str, monkeypatch: pytest.MonkeyPatch, trouble: type[Exception]
) -> None:
    """Whatever it is that got by all that is looked at."""
    take = Intake.take

    def poisoned(intake: Intake, group: Sequence[Came]) -> Outcome:
        if any(came.data == b"poison" for came in group):
            raise trouble
        return take(intake, group)

    monkeypatch.setattr(Intake, "take", poisoned)
    with Store.at(store_url) as store:
        async with office_on(store, broker.url):
            await publish(broker, topics.log(name_of(crew), crew.job), *([b"poison"] * 5))
            await crew.relay(broker.url, once=True)
            assert rows(store, crew.job) == rows(crew.store, crew.job)
        assert [each.payload for each in refusals(store)] == [b"poison"] * 5


async def _ends_with(store: Store, broker: Mosquitto, error: type[Exception]) -> None:
    running, ready = make_office(store, broker_at(broker.url), None, lambda news: None), asyncio.Event()
    office = asyncio.ensure_future(running.office.run(ready.set))
    await asyncio.wait_for(ready.wait(), PATIENCE_S)
    for _ in range(8):  # more than there is room for in what is read
        await publish(broker, topics.log("crew-1", "20261125-k7m4"), *([b"nonsense"] * 400))
    with pytest.raises(error):
        await asyncio.wait_for(office, PATIENCE_S)


@pytest.mark.timeout(300)  # 19,200 messages, each acknowledged
@pytest.mark.parametrize("after_s", [0.0, 1.0])
async def test_an_error_of_our_own_ends_the_office_whatever_waits(
    broker: Mosquitto, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, after_s: float
) -> None:
    def broken(intake: Intake, *_: object) -> None:
        time.sleep(after_s)  # so that all the others come meanwhile, or none
        raise ZeroDivisionError

    monkeypatch.setattr(Intake, "take", broken)
    monkeypatch.setattr(Intake, "put_aside", broken)
    with Store.at(f"sqlite:///{tmp_path / 'office.sqlite3'}") as store:
        for _ in range(5):
            await _ends_with(store, broker, ZeroDivisionError)
        monkeypatch.undo()

        def unread(reader: Reader, messages: object) -> None:
            raise ZeroDivisionError

        monkeypatch.setattr(Reader, "read", unread)
        await _ends_with(store, broker, ZeroDivisionError)


async def test_a_flood_of_refused_messages_fills_no_disk(broker: Mosquitto, tmp_path: Path) -> None:
    with Store.at(f"sqlite:///{tmp_path / 'office.sqlite3'}") as store:
        async with office_on(store, broker.url) as office:
            for _ in range(3):
                await publish(broker, topics.log("crew-1", "20261125-k7m4"), *([b"nonsense"] * 500))
            await until(lambda: office.office.counts.refused == 1500)
            assert len(refusals(store, 5000)) == 1000


async def test_a_record_that_was_altered_at_home_is_told_from_the_true_ones(
    broker: Mosquitto, crew: Crew, tmp_path: Path
) -> None:
    """One job altered, one beyond text, one sound: the sound one arrives, and the others are named."""
    text = begin(crew.store, [to_entry(reading("24.10", 0))], device=crew.key.public_key)
    with closing(sqlite3.connect(crew.store.place)) as record:
        record.execute("DROP TRIGGER event_no_update")
        record.execute("UPDATE event SET body = '{}' WHERE job = ? AND seq = 3", (crew.job,))
        record.execute("UPDATE event SET kind = CAST(x'ff' AS TEXT) WHERE job = ?", (text,))
        record.commit()
    sound = begin(crew.store, [to_entry(reading("24.10", 0))], device=crew.key.public_key)
    with Store.at(f"sqlite:///{tmp_path / 'office.sqlite3'}") as store:
        async with office_on(store, broker.url):
            with pytest.raises(NotAllThereError) as refused:
                await crew.relay(broker.url, once=True)
            assert f"job {crew.job}: altered: line 3" in str(refused.value)
            assert f"job {text}: it cannot be sent" in str(refused.value)
            assert rows(store, sound) == rows(crew.store, sound)
            assert len(rows(store, crew.job)) == 0


# Notes


async def test_a_note_reaches_the_check_and_comes_back_in_its_log(
    broker: Mosquitto, tmp_path: Path, store_url: str
) -> None:
    home = tmp_path / "crew"
    with Store.at(store_url) as store:
        async with office_on(store, broker.url) as office:
            arguments = ["--accept-cautions", "--relay", "--broker", broker.url, "--sound", "off"]
            check = started(home, "check", "start-up", "--meter", "sim:healthy?time-scale=5", *arguments)
            try:
                await until(office.register.devices)
                (device,) = office.register.devices()
                note = office.postbox.write(device.name, "Probe X1:7 next", "office", time.time_ns())
                await until(lambda: _heard(store, note) is not None)
            finally:
                check.terminate()
                said, _ = await asyncio.to_thread(check.communicate, timeout=PATIENCE_S)
            assert "office: Probe X1:7 next" in said.splitlines()
            (job,) = store.jobs()
            (event,) = [each for each in store.events(job.id) if each.body.get("note") == note]
            assert (event.body["by"], event.body["text"]) == ("office", "Probe X1:7 next")
            assert office.postbox.due(time.monotonic() + 1000) == []
            here = lines(steadypoint(home, "show", job.id, "--json").stdout)
            there = lines(steadypoint(home, "show", job.id, "--json", "--store", store_url).stdout)
            assert here == there  # `check --relay` ends once the office has everything


def _heard(store: Store, note: str) -> str | None:
    with store.reading() as connection:
        found = connection.exec_driver_sql(f"SELECT job FROM message WHERE id = '{note}'").scalar()
    return found if isinstance(found, str) else None


# The commands


def test_the_commands_speak_to_each_other(broker: Mosquitto, crew: Crew, tmp_path: Path) -> None:
    store = f"sqlite:///{tmp_path / 'copy.sqlite3'}"
    office = started(tmp_path / "office", "office", "--broker", broker.url, "--store", store)
    try:
        sent = steadypoint_apart(crew.folder, "relay", "--broker", broker.url, "--once")
        assert (sent.returncode, "password" in sent.stderr) == (0, False), sent.stderr
    finally:
        office.terminate()
        _, said = office.communicate(timeout=PATIENCE_S)
    assert office.returncode == 0, said
    assert "Traceback" not in said + sent.stderr
    with Store.at(store) as copy:
        assert rows(copy, crew.job) == rows(crew.store, crew.job)


def test_one_relay_a_record(broker: Mosquitto, crew: Crew) -> None:
    first = started(crew.folder, "relay", "--broker", broker.url)
    try:
        assert first.stderr is not None
        assert "connected" in first.stderr.readline()
        second = steadypoint_apart(crew.folder, "relay", "--broker", broker.url, "--once")
        assert (second.returncode, "at work already (process" in second.stderr) == (2, True)
    finally:
        first.terminate()
        first.communicate(timeout=PATIENCE_S)
    assert first.returncode == 0


def test_in_the_clear_to_another_machine_is_refused(crew: Crew) -> None:
    for command in ("relay", "office"):
        refused = steadypoint(crew.folder, command, "--broker", "mqtt://broker.example.net")
        assert (refused.returncode, "--insecure" in refused.stderr) == (2, True)


async def test_a_slow_link_is_used_and_not_flooded(broker: Mosquitto, tmp_path: Path) -> None:
    """20 kB a second: what waits is in the record, not on the way; nothing is sent twice."""
    crew = Crew.begin(tmp_path / "crew")
    for _ in range(20):
        crew.work(200)
    with Store.at(f"sqlite:///{tmp_path / 'office.sqlite3'}") as store:
        async with office_on(store, broker.url), BadNetwork(broker.port) as network:
            network.bytes_per_s = 20_000
            await crew.relay(network.url, once=True)
            assert rows(store, crew.job) == rows(crew.store, crew.job)
            once = network.passed
        job = job_as_found(crew.store, crew.job)
        assert job is not None
        size = sum(len(line.written) for line in lines_as_found(crew.store, crew.job, job.sha256 or ""))
        assert once < size / 3  # deflated, and once
    crew.store.close()
