import hashlib
import os
import random
import sqlite3
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from meterlink.errors import RecordError
from meterlink.outcome import Cue
from meterlink.reading import NS_PER_S
from meterlink.record.codec import to_entry
from meterlink.record.entry import Entry, Kind
from meterlink.record.file import open_file
from meterlink.record.store import FILE_NAME, Store
from record_rights import public_folder, read_only
from record_samples import PROCEDURE, SOURCE, STARTED_UTC_NS, at, begin, reading


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path, busy_wait_s=0) as opened:
        yield opened


def readings(count: int) -> list[Entry]:
    return [to_entry(reading(f"24.{number:02}", 100 * number)) for number in range(count)]


def plain_sqlite(folder: Path) -> closing[sqlite3.Connection]:
    return closing(sqlite3.connect(folder / FILE_NAME, isolation_level=None, timeout=0))


# What goes in comes out


def test_a_job_comes_back_as_it_was_begun(store: Store) -> None:
    job_id = begin(store)
    job = store.job(job_id)
    assert (job.id, job.procedure, job.title, job.revision) == (job_id, "two-points", PROCEDURE.title, "7")
    assert (job.source, job.meter, job.meter_identity) == (SOURCE, "sim:healthy", None)
    assert (job.software, job.started_utc_ns, job.utc_offset_s) == ("steadypoint 0.1.0", STARTED_UTC_NS, 3600)


def test_the_source_is_stored_with_its_sha_256(store: Store) -> None:
    # FIPS 180-4's one-block example message "abc", digest as published with it by NIST (from memory).
    job = store.begin_job(
        PROCEDURE,
        "abc",
        meter="sim:healthy",
        meter_identity="BENCH,1",
        software="steadypoint",
        started_utc_ns=0,
        utc_offset_s=0,
    )
    assert store.job(job).source_sha256 == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"


def test_events_come_back_in_order_and_numbered_from_one(store: Store) -> None:
    job = begin(store, readings(2))
    assert store.append(job, readings(1200)) == 1202
    events = list(store.events(job))
    assert [event.seq for event in events] == list(range(1, 1203))
    assert [(event.kind, event.at, event.body, event.raw) for event in events] == [
        (entry.kind, entry.at, entry.body, entry.raw) for entry in readings(2) + readings(1200)
    ]


def test_events_can_be_asked_for_by_kind(store: Store) -> None:
    job = begin(store, [*readings(700), to_entry(Cue("pass", "Pass.", None, at(1))), *readings(600)])
    assert [event.seq for event in store.events(job, [Kind.CUE])] == [701]


def test_each_job_has_its_own_numbers(store: Store) -> None:
    first, second = begin(store, readings(2)), begin(store, readings(1))
    assert (store.append(first, readings(1)), store.append(second, readings(1))) == (3, 2)


def test_jobs_come_newest_first(store: Store) -> None:
    older = begin(store, started_utc_ns=STARTED_UTC_NS - NS_PER_S)
    newest = begin(store, started_utc_ns=STARTED_UTC_NS + NS_PER_S)
    middle = begin(store)
    assert [job.id for job in store.jobs()] == [newest, middle, older]


def test_a_job_id_is_its_utc_date_and_a_sayable_end(store: Store) -> None:
    late_evening = begin(store, started_utc_ns=1_795_651_199 * NS_PER_S)  # 2026-11-25T23:59:59Z, the 26th locally
    assert late_evening[:9] == "20261125-"
    assert len(late_evening) == 13


def test_a_job_ids_signs_cannot_be_taken_for_one_another(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    offered: set[str] = set()

    def draw(signs: str) -> str:
        offered.update(signs)
        return "k"

    monkeypatch.setattr("meterlink.record.store.secrets.choice", draw)
    begin(store)
    assert len(offered) >= 20
    for alike in ("0o", "1il", "2z", "5s", "6g", "8b", "uv"):
        assert len(offered & set(alike)) <= 1


def test_a_job_id_that_is_taken_is_not_given_again(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    draws = iter("k7m4" + "k7m4" + "k7m3")
    monkeypatch.setattr("meterlink.record.store.secrets.choice", lambda _: next(draws))
    assert [begin(store), begin(store)] == ["20261125-k7m4", "20261125-k7m3"]


def test_an_unknown_job_names_the_nearest(store: Store) -> None:
    job = begin(store)
    with pytest.raises(RecordError, match=f"no job '{job[:-1]}'; nearest: {job}"):
        store.job(job[:-1])
    with pytest.raises(RecordError, match="nearest"):
        store.events("elsewhere")


def test_an_unknown_job_in_an_empty_record_says_that_it_is_empty(store: Store) -> None:
    with pytest.raises(RecordError, match="the record holds no job yet"):
        store.job("20261125-k7m4")


def test_nothing_is_appended_to_an_unknown_job(store: Store) -> None:
    with pytest.raises(RecordError, match=r"not saved, 1 entries of job nowhere \(reading\): FOREIGN KEY"):
        store.append("nowhere", readings(1))


def test_a_job_whose_first_entries_cannot_be_written_is_not_begun(store: Store) -> None:
    entry = to_entry(Cue("odd", "\ud800", None, at(0)))  # half a surrogate pair has no UTF-8 form
    with pytest.raises(ValueError, match="non-UTF-8"):
        begin(store, [entry])
    assert store.jobs() == []


# Append-only


@pytest.mark.parametrize(
    "change",
    [
        "UPDATE event SET body = '{}'",
        "DELETE FROM event",
        "UPDATE job SET title = 'another'",
        "DELETE FROM job",
        "INSERT OR REPLACE INTO event SELECT job, seq, kind, monotonic_ns, utc_ns, '{}', raw, sha256 FROM event",
        "INSERT OR IGNORE INTO event SELECT job, seq, kind, monotonic_ns, utc_ns, '{}', raw, sha256 FROM event",
        "INSERT OR REPLACE INTO job SELECT * FROM job",
        "INSERT INTO event SELECT job, seq + 2, kind, monotonic_ns, utc_ns, body, raw, sha256 FROM event",
    ],
)
def test_the_file_itself_refuses_every_change(store: Store, tmp_path: Path, change: str) -> None:
    job = begin(store, readings(1))
    before = (store.job(job), list(store.events(job)))
    with plain_sqlite(tmp_path) as other, pytest.raises(sqlite3.IntegrityError, match="append-only"):
        other.execute(change)
    assert (store.job(job), list(store.events(job))) == before


# On disk, and for how long who waits


def test_the_file_is_marked_as_ours_in_write_ahead_mode(store: Store, tmp_path: Path) -> None:
    store.close()
    header = (tmp_path / FILE_NAME).read_bytes()[:100]
    # SQLite "Database File Format", section 1.3: read and write versions at 18 and 19 (2: write-ahead log), user
    # version at 60, application id at 68, big-endian.
    assert header[18:20] == b"\x02\x02"
    assert header[60:64] == b"\x00\x00\x00\x04"
    assert header[68:72] == b"SPNT"


def test_every_commit_is_synchronised_and_foreign_keys_hold(tmp_path: Path) -> None:
    engine = open_file(tmp_path / FILE_NAME, 0)
    with engine.connect() as connection:
        pragmas = [
            connection.exec_driver_sql(f"PRAGMA {name}").scalar()
            for name in ("synchronous", "fullfsync", "foreign_keys")
        ]
    engine.dispose()
    assert pragmas == [2, 1, 1]  # SQLite "PRAGMA synchronous": 2 is FULL


def test_readers_see_the_last_commit_while_another_writes(store: Store, tmp_path: Path) -> None:
    job = begin(store, readings(1))
    with plain_sqlite(tmp_path) as writer, Store.open(tmp_path, busy_wait_s=0) as first, Store.open(tmp_path) as second:
        writer.execute("BEGIN IMMEDIATE")
        writer.execute("INSERT INTO event SELECT job, 2, kind, monotonic_ns, utc_ns, body, raw, sha256 FROM event")
        assert [len(list(reader.events(job))) for reader in (first, second)] == [1, 1]
        writer.execute("COMMIT")
        assert [len(list(reader.events(job))) for reader in (first, second)] == [2, 2]


def test_two_open_reads_do_not_hold_up_the_recorder(store: Store, tmp_path: Path) -> None:
    job = begin(store, readings(600))
    half_read = store.events(job)
    next(half_read)
    with plain_sqlite(tmp_path) as reader:
        reader.execute("BEGIN")
        assert reader.execute("SELECT count(*) FROM event").fetchone() == (600,)
        assert store.append(job, readings(1)) == 601
        assert reader.execute("SELECT count(*) FROM event").fetchone() == (600,)
    assert len(list(half_read)) == 600


def test_a_locked_file_says_what_is_not_saved_and_takes_it_later(store: Store, tmp_path: Path) -> None:
    job = begin(store)
    entries = [*readings(1), to_entry(Cue("pass", "Pass.", None, at(1)))]
    with plain_sqlite(tmp_path) as other:
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(RecordError, match=rf"not saved, 2 entries of job {job} \(reading, cue\): .* locked"):
            store.append(job, entries)
    assert store.append(job, entries) == 2


def test_a_full_disk_says_what_is_not_saved_and_takes_it_later(tmp_path: Path) -> None:
    engine = open_file(tmp_path / FILE_NAME, 0)
    with Store(tmp_path / FILE_NAME, engine) as store:
        job = begin(store)
        with engine.connect() as connection:
            pages = connection.exec_driver_sql("PRAGMA page_count").scalar_one()
            connection.exec_driver_sql(f"PRAGMA max_page_count = {pages}")
        with pytest.raises(RecordError, match=rf"not saved, 100 entries of job {job} \(.*\): the disk is full"):
            store.append(job, readings(100))
        assert list(store.events(job)) == []
        with engine.connect() as connection:
            connection.exec_driver_sql("PRAGMA max_page_count = 1000000")
        assert store.append(job, readings(100)) == 100


def test_a_disk_that_takes_no_more_bytes_loses_nothing_saved(store: Store, tmp_path: Path) -> None:
    job = begin(store, readings(2))
    resource = pytest.importorskip("resource")
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    log = tmp_path / f"{FILE_NAME}-wal"
    resource.setrlimit(resource.RLIMIT_FSIZE, (log.stat().st_size + 100, hard))
    try:
        with pytest.raises(RecordError, match="not saved, 50 entries"):
            store.append(job, readings(50))
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
    assert [event.seq for event in store.events(job)] == [1, 2]
    assert store.append(job, readings(50)) == 52


@pytest.mark.timeout(600)  # it starts 30 interpreters
def test_a_killed_recorder_loses_nothing_that_it_announced(store: Store, tmp_path: Path) -> None:
    job = begin(store)
    generator = random.Random(24)
    victim = [sys.executable, str(Path(__file__).with_name("record_victim.py")), str(tmp_path), job]
    for _ in range(30):
        with subprocess.Popen(victim, stdout=subprocess.PIPE, text=True) as process:
            assert process.stdout is not None
            announced = [process.stdout.readline() for _ in range(generator.randint(1, 20))]
            spin_until = time.perf_counter_ns() + generator.randint(0, 3_000_000)
            while time.perf_counter_ns() < spin_until:
                pass  # so that the kill lands anywhere in an append
            process.kill()
            announced += process.stdout.readlines()
        stored = [event.seq for event in store.events(job)]
        last = int([line for line in announced if line.endswith("\n")][-1])
        assert stored == list(range(1, len(stored) + 1))
        assert len(stored) in (last, last + 3)  # stored may be one append ahead, never behind, never half
    with plain_sqlite(tmp_path) as check:
        assert check.execute("PRAGMA integrity_check").fetchall() == [("ok",)]


# Files that must be left alone


def refused(folder: Path, match: str) -> None:
    before = {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in folder.iterdir()}
    with pytest.raises(RecordError, match=match) as caught:
        Store.open(folder)
    assert str(folder / FILE_NAME) in str(caught.value)
    after = {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in folder.iterdir()}
    assert after == before


def test_a_newer_layout_is_refused(store: Store, tmp_path: Path) -> None:
    store.close()
    with plain_sqlite(tmp_path) as newer:
        newer.execute("PRAGMA user_version = 5")
    refused(tmp_path, "layout 5.*Use a newer Steadypoint")


def test_a_file_that_is_no_database_is_refused(tmp_path: Path) -> None:
    (tmp_path / FILE_NAME).write_bytes(b"Notes from the site\n" * 100)
    refused(tmp_path, "damaged or is no record; nothing in it was changed")


def test_a_damaged_file_is_refused(store: Store, tmp_path: Path) -> None:
    begin(store, readings(400))
    store.close()
    content = bytearray((tmp_path / FILE_NAME).read_bytes())
    for page in range(3, len(content) // 4096):
        content[page * 4096 : page * 4096 + 64] = bytes(64)
    (tmp_path / FILE_NAME).write_bytes(content)
    refused(tmp_path, "damaged or is no record; nothing in it was changed")


def test_a_file_cut_short_is_refused(store: Store, tmp_path: Path) -> None:
    begin(store, readings(400))
    store.close()
    os.truncate(tmp_path / FILE_NAME, 10_000)
    refused(tmp_path, "damaged or is no record")


def test_another_programs_database_is_refused(tmp_path: Path) -> None:
    with plain_sqlite(tmp_path) as other:
        other.execute("CREATE TABLE addresses (name TEXT)")
    refused(tmp_path, "another program's database")


def test_a_log_without_its_file_is_refused_and_kept(tmp_path: Path) -> None:
    (tmp_path / f"{FILE_NAME}-wal").write_bytes(b"the last entries")
    refused(tmp_path, "missing or empty, but record.sqlite3-wal beside it still holds entries")


def test_a_folder_without_shared_memory_cannot_hold_a_live_record(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # SQLite "Write-Ahead Logging", section 2.2: it does not work over a network file system, for want of shared memory.
    # The VFS with dot-file locks has none either.
    real = sqlite3.connect

    def without_shared_memory(path: str, **options: bool) -> sqlite3.Connection:
        return real(f"file:{path}?vfs=unix-dotfile", uri=True, check_same_thread=options["check_same_thread"])

    monkeypatch.setattr(sqlite3.dbapi2, "connect", without_shared_memory)
    with pytest.raises(RecordError, match=r"cannot hold a live record .*'wal' is needed.*network share"):
        Store.open(tmp_path)


def test_a_missing_folder_is_an_error_that_names_the_file(tmp_path: Path) -> None:
    with pytest.raises(RecordError, match=r"absent/record.sqlite3: cannot be opened: .* cannot be written"):
        Store.open(tmp_path / "absent")


def test_a_read_only_folder_is_an_error_whether_new_or_in_use() -> None:
    with public_folder() as folder:
        with read_only(folder), pytest.raises(RecordError, match="cannot be written"):
            Store.open(folder)
        with Store.open(folder) as store:
            begin(store, readings(1))
        with read_only(folder):
            refused(folder, "cannot be written")


def test_several_may_lay_out_the_same_new_file_at_once(tmp_path: Path) -> None:
    opening = "import sys, pathlib; from meterlink.record.store import Store; Store.open(pathlib.Path(sys.argv[1]))"
    racers = [subprocess.Popen([sys.executable, "-c", opening, str(tmp_path)]) for _ in range(4)]
    assert [racer.wait() for racer in racers] == [0, 0, 0, 0]
