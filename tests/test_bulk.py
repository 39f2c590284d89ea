"""Many lines at once into the office's table: all of them or none, and never any but a job's next."""

from collections.abc import Iterator
from dataclasses import asdict, replace
from itertools import islice
from pathlib import Path

import pytest
from sqlalchemy import Connection, insert, text

from crews import rows as everything
from ingest_figures import Load, load
from meterlink.errors import RefusedRowError
from meterlink.office.bulk import insert_events
from meterlink.record.schema import JOB
from meterlink.record.store import Store
from meterlink.record.take_in import event_row
from meterlink.relay.pack import Pack, read_pack
from meterlink.relay.stretch import Stretch

FEW, MANY = 300, 2500
"""Below and above what is checked together."""


@pytest.fixture
def store(store_url: str) -> Iterator[Store]:
    with Store.at(store_url) as store:
        yield store


def a_job(store: Store, number: int, count: int) -> tuple[Load, Stretch]:
    """A job that is in the store already, and its lines, which are not."""
    made = load(number, count, count)
    with store.writing("") as connection:
        connection.execute(insert(JOB), asdict(made.job))
    pack = read_pack(made.packs[0])
    assert isinstance(pack, Pack)
    return made, pack.lines


def first(lines: Stretch, count: int) -> Stretch:
    return Stretch(*(column[:count] for column in lines.columns))  # type: ignore[arg-type] # each its own type


def add(store: Store, *lines: tuple[str, Stretch]) -> None:
    with store.writing("nothing is added") as connection:
        insert_events(connection, lines)


def rows(store: Store, job: str) -> list[tuple[object, ...]]:
    return everything(store, job)[1:]  # behind the job's own line


def guards(store: Store) -> list[str]:
    def all_of(connection: Connection) -> list[str]:
        if connection.dialect.name == "sqlite":
            return list(connection.scalars(text("SELECT sql FROM sqlite_master WHERE type = 'trigger' ORDER BY name")))
        return list(connection.scalars(text("SELECT tgname FROM pg_trigger WHERE NOT tgisinternal ORDER BY tgname")))

    with store.reading() as connection:
        return all_of(connection)


def expected(made: Load, count: int) -> list[tuple[object, ...]]:
    return [tuple(event_row(made.job.id, line).values()) for line in islice(made.lines, count)]


@pytest.mark.parametrize("count", [1, FEW, MANY])
def test_lines_are_stored_as_they_are_one_by_one(store: Store, count: int) -> None:
    one, two = a_job(store, 1, count), a_job(store, 2, count)
    before = guards(store)
    half = count // 2
    add(store, (one[0].job.id, first(one[1], half)), (two[0].job.id, two[1]), (one[0].job.id, one[1].without(half)))
    for made, _ in (one, two):
        assert rows(store, made.job.id) == expected(made, count)
    assert guards(store) == before
    add(store)  # nothing


@pytest.mark.parametrize("count", [FEW, MANY])
@pytest.mark.parametrize("there", [0, 5])
@pytest.mark.parametrize("skipped", [-1, 1, 7])
def test_none_but_the_next_lines_are_taken(store: Store, count: int, there: int, skipped: int) -> None:
    other, made = a_job(store, 1, count), a_job(store, 2, count + 20)
    lines, job = made[1], made[0].job.id
    if there:
        add(store, (job, first(lines, there)))
    before = guards(store)
    if skipped < 0:  # a number from before what is there
        early = Stretch(tuple(seq + there + skipped for seq in lines.seq), *lines.columns[1:])  # type: ignore[arg-type]
        wrong = first(early, count)
    else:
        wrong = first(lines.without(there + skipped), count)
    with pytest.raises(RefusedRowError):
        add(store, (other[0].job.id, other[1]), (job, wrong))
    assert (len(rows(store, job)), rows(store, other[0].job.id)) == (there, [])
    assert guards(store) == before
    add(store, (other[0].job.id, other[1]), (job, first(lines.without(there), count)))  # those that are
    assert len(rows(store, job)) == there + count


@pytest.mark.parametrize("there", [0, 900])
def test_a_line_before_the_first_makes_up_for_no_gap(store: Store, there: int) -> None:
    made, lines = a_job(store, 1, MANY)
    if there:
        add(store, (made.job.id, first(lines, there)))
    wrong = lines.without(there + 1)
    wrong = Stretch((0, *wrong.seq), *((column[0], *column) for column in wrong.columns[1:]))  # type: ignore[arg-type]
    with pytest.raises(RefusedRowError):
        add(store, (made.job.id, wrong))
    assert len(rows(store, made.job.id)) == there


def test_a_gap_among_them_is_refused(store: Store) -> None:
    made, lines = a_job(store, 1, MANY)
    holed = (*first(lines, 1200).columns, *lines.without(1201).columns)
    halves = Stretch(*holed[:7]), Stretch(*holed[7:])  # type: ignore[arg-type] # each its own type
    with pytest.raises(RefusedRowError, match="append-only"):
        add(store, *((made.job.id, half) for half in halves))
    assert rows(store, made.job.id) == []


def test_what_a_driver_refuses_by_itself_is_refused_too(store: Store) -> None:
    """A server's text holds no NUL (PostgreSQL, section 8.3); nor does a number of 64 bits hold more."""
    made, lines = a_job(store, 1, 1)
    too_late = replace(lines, utc_ns=(2**70,))
    with pytest.raises((RefusedRowError, OverflowError)):
        add(store, (made.job.id, too_late))
    if store.place.startswith("postgresql"):
        with pytest.raises(RefusedRowError):
            add(store, (made.job.id, replace(lines, body=("a\0b",))))
    assert rows(store, made.job.id) == []


def test_a_job_that_is_not_there_takes_no_lines(store: Store) -> None:
    _, lines = a_job(store, 1, MANY)
    with pytest.raises(RefusedRowError):
        add(store, ("20260101-none", lines))


def test_nobody_sees_the_table_without_its_guard(tmp_path: Path) -> None:
    url = f"sqlite:///{tmp_path / 'office.sqlite3'}"
    with Store.at(url) as store, Store.at(url) as other:
        made, lines = a_job(store, 1, MANY)
        before = guards(store)
        with store.writing("nothing is added") as connection:
            insert_events(connection, [(made.job.id, lines)])
            assert guards(other) == before
            assert rows(other, made.job.id) == []
        assert (guards(other), len(rows(other, made.job.id))) == (before, MANY)
        again = text("INSERT OR REPLACE INTO event SELECT * FROM event WHERE seq = 3")
        with pytest.raises(RefusedRowError, match="append-only"), store.writing("nothing is changed") as connection:
            connection.execute(again)
