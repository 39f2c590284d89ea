"""One job as the office's page has it: the technician's own picture, whatever the pieces it is read in."""

import json
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy import insert

from meterlink.outcome import Break
from meterlink.record.entry import Entry, Event, Kind
from meterlink.record.schema import PROGRESS
from meterlink.record.store import Store
from meterlink.web.office.booth import Booth
from meterlink.web.office.records import Records
from meterlink.web.office.shelf import Shelf
from meterlink.web.office.trace import Trace, points_since
from meterlink.web.scene import circuit_shown, live_scene, scene
from office_bench import Technician, picture
from record_samples import at, reading

STEPS: list[Callable[[Technician], object]] = [
    lambda crew: crew.show("24.10", 3),
    *[lambda crew: crew.pass_step()] * 7,
    lambda crew: crew.note("The cover was loose.", picture()),
    lambda crew: crew.break_link(Break.LINK_LOST),
    lambda crew: crew.break_link(Break.LINK_BACK),
    lambda crew: crew.touch("25.91"),
    lambda crew: crew.dead(),
    lambda crew: crew.pass_step(),
    lambda crew: crew.touch("26.40"),
]


def in_office(crew: Technician, store: Store) -> None:
    """Let the crew's own store pass for an office's."""
    row = {"job": crew.job, "device": crew.name, "seq": 1, "sha256": "", "sealed": 0, "received_utc_ns": 0}
    with store.writing("") as connection:
        connection.execute(insert(PROGRESS), row)


def followed(booth: Booth) -> Booth:
    booth.advance(0)
    while booth.behind:
        booth.advance(0)
    return booth


def test_it_shows_what_the_technicians_page_shows_at_every_moment(tmp_path: Path) -> None:
    crew = Technician(tmp_path / "crew-1", "A1")
    with Store.open(crew.folder) as store:
        in_office(crew, store)
        booth = Booth(Records(store), crew.job)
        for step in STEPS:
            step(crew)
            crew.show("24.02", 3)  # what no outcome waits for shares a write for a moment
            crew.note("Saved.")
            engine = crew.session.engine
            state = json.loads(followed(booth).state)
            assert state["trouble"] is None
            assert state["check"] == json.loads(json.dumps(scene(engine, circuit_shown(engine))))
            live = json.loads(booth.live)
            shown = json.loads(json.dumps(live_scene(engine, reading("24.02", 0))))
            assert live["display"] == "24.02"
            assert live["confirms"] == shown["confirms"]
        assert json.loads(booth.state)["check"]["search"] is not None
        anew = followed(Booth(Records(store), crew.job))
        assert {**json.loads(anew.state), "picture": 0} == {**json.loads(booth.state), "picture": 0}
        assert anew.points == booth.points
    crew.close()


def test_a_log_that_does_not_follow_from_its_inputs_is_said_to_be_one(tmp_path: Path) -> None:
    crew = Technician(tmp_path / "crew-1", "A1")
    crew.pass_step()
    with Store.open(crew.folder) as store:
        in_office(crew, store)
        forged = {"event": "verdict", "step": "battery", "outcome": "pass", "value": None, "unit": None, "t": 1}
        store.append(crew.job, [Entry(Kind.VERDICT, crew.session.last, forged)])
        state = json.loads(followed(Booth(Records(store), crew.job)).state)
        assert "is not what its inputs bring about" in state["trouble"]
        assert state["check"] is None
    crew.close()


@pytest.mark.parametrize("kind", [kind for kind in Kind if kind is not Kind.NOTE])
def test_lines_without_sense_end_the_picture_and_nothing_else(tmp_path: Path, kind: Kind) -> None:
    crew = Technician(tmp_path / "crew-1", "A1")
    with Store.open(crew.folder) as store:
        in_office(crew, store)
        store.append(crew.job, [Entry(kind, crew.session.last, {"step": [1], "circuit": 7, "scale": "x"})])
        crew.note("After it.")
        state = json.loads(followed(Booth(Records(store), crew.job)).state)
        assert state["trouble"]
        assert [each["text"] for each in state["remarks"]] == ["After it."]
    crew.close()


def test_a_trace_keeps_minutes_and_breaks_at_gaps() -> None:
    trace = Trace()
    for seq in range(1, 1000):
        trace.take(Event(Kind.READING, at(seq * 1000), {}, seq=seq), reading("24.10", seq * 1000))
    trace.take(Event(Kind.GAP, at(1_000_000), {}, seq=1000), None)
    assert trace.points[-1] == (1000, 1_000_000, None, "")
    assert trace.points[-2] == (999, 999_000, 24.1, "V")
    assert trace.points[0][1] == 699_000


@given(st.lists(st.integers(1, 5), max_size=30), st.integers(0, 100))
def test_points_after_a_line_are_those_and_no_others(steps: list[int], seq: int) -> None:
    points = [(sum(steps[: number + 1]), 0, 1.0, "V") for number in range(len(steps))]
    assert list(points_since(points, seq)) == [point for point in points if point[0] > seq]


CHANGES = st.lists(st.tuples(st.sampled_from("abcde"), st.sampled_from("xyz")), max_size=40)


@given(CHANGES, st.integers(1, 4), st.data())
def test_a_reader_of_the_shelf_ends_with_the_newest_of_each_at_any_pace(
    changes: list[tuple[str, str]], most: int, data: st.DataObject
) -> None:
    shelf, seen, have = Shelf(), 0, dict[str, str]()
    for name, text in changes:
        before = shelf.text(name)
        assert shelf.put(name, f"{name}{text}") == (before != f"{name}{text}")
        if data.draw(st.booleans()):
            for number, found in shelf.since(seen, most):
                assert number > seen
                seen, have[found[0]] = number, found
    while some := shelf.since(seen, most):
        for number, found in some:
            seen, have[found[0]] = number, found
    assert have == {name: shelf.text(name) for name in shelf.names()}
    assert shelf.since(shelf.last, most) == []
