"""Jobs with every kind of step on disk: broken off at any event, gone on with, replayed word for word."""

import sqlite3
import time
from contextlib import closing
from pathlib import Path

import pytest

from known_meter import known_meter
from meterlink.outcome import Answer, Break, End, Input, Json, Jumper
from meterlink.prepared import Prepared
from meterlink.procedure.parse import parse_procedure
from meterlink.reading import NS_PER_S, Function, Instant, Reading
from meterlink.record.codec import from_event
from meterlink.record.page import job_page
from meterlink.record.store import Store
from meterlink.record.summary import SUMMARY_KINDS, JobState, summarise
from meterlink.session import Session
from procedure_samples import with_steps
from test_kind_laws import STEPS

HOUR_NS = 3600 * NS_PER_S


class Run:
    """One run of a job: what is done before the check is broken off."""

    def __init__(self, session: Session) -> None:
        self.session = session
        self.told: list[Json] = session.opening()
        self._ns = 0

    def _at(self) -> Instant:
        self._ns += 2 * NS_PER_S // 5
        return Instant(self._ns, time.time_ns() + self._ns)

    def show(self, display: str, updates: int) -> None:
        for _ in range(updates):
            self.told += self.session.take(Reading(display, "V", Function.DC_VOLTAGE, self._at()))

    def answer(self, answer: Answer) -> None:
        self._ns += NS_PER_S
        self.told += self.session.take(Input(answer, self._at()))

    def jumper(self, where: str) -> None:
        self.told += self.session.take(Jumper(True, where, "", self._at()))

    def do_what_is_asked(self) -> None:
        """What a technician does on a sound lift."""
        step = self.session.engine.step
        self.show("0.00", 4)
        if step.id == "off" and step.point == "X1":
            self.answer(Answer.CONFIRM)
            self.show("0.00", 2)
        elif step.kind in ("look", "bridge", "ask"):
            self.answer(Answer.CONFIRM)
        else:
            self.show("12.50" if step.id == "v12" else "24.10", 6)
        if step.kind in ("operate", "interval"):
            self.show("0.00", 4)
            self.show("24.10", 4)
        if step.kind == "watch":
            self.answer(Answer.CONFIRM)
            self.show("24.10", 6)
            self.answer(Answer.CONFIRM)


@pytest.fixture
def store(tmp_path: Path) -> Store:
    return Store.open(tmp_path)


def begin(store: Store, steps: str = STEPS) -> Run:
    source = with_steps(steps)
    return Run(Session.begin(store, Prepared(parse_procedure(source, "p"), source), "sim:healthy", known_meter()))


def test_a_job_that_is_broken_off_after_every_step_comes_to_the_same_end(store: Store) -> None:
    run = begin(store)
    for _ in range(40):
        if run.session.engine.ended:
            break
        before = run.session.engine.step.id
        run.do_what_is_asked()
        if run.session.engine.step.id != before and not run.session.engine.ended:  # a dead proof may not be broken off
            run.session.close(Break.INTERRUPTED)
            run = Run(Session.resume(store, run.session.job, known_meter()))
    end = run.session.engine.tally(run.session.last)
    assert (end.complete, end.passed, end.failed) == (True, 9, 0)


def test_a_job_broken_off_in_the_middle_of_each_kind_is_gone_on_with(store: Store) -> None:
    run = begin(store)
    breaks = 0
    for _ in range(60):
        if run.session.engine.ended:
            break
        kind = run.session.engine.step.kind
        if breaks < 8 and kind in ("operate", "watch", "interval"):
            run.show("0.00", 4)
            run.show("24.10", 5)
            run.session.close(Break.INTERRUPTED)
            run = Run(Session.resume(store, run.session.job, known_meter()))
            breaks += 1
            if breaks % 2:
                continue
        run.do_what_is_asked()
    end = run.session.engine.tally(run.session.last)
    assert end.complete, end
    assert breaks >= 3


def test_the_next_day_dead_is_proved_again_and_the_record_says_so(store: Store) -> None:
    run = begin(store)
    for _ in range(5):
        run.do_what_is_asked()
    assert run.session.engine.verdicts["off"].outcome == "pass"
    run.jumper("X9")
    run.session.close(Break.INTERRUPTED)
    age(store, run.session.job, 5 * HOUR_NS)
    again = Run(Session.resume(store, run.session.job, known_meter()))
    events = [line["event"] for line in again.told]
    assert events[:2] == ["reopened", "cue"]
    assert again.told[1]["text"] == "A new visit. Prove again: X1. Jumpers still in: X3, X9."
    assert again.session.engine.step.point == "G1"
    assert "to be proved again" in "\n".join(job_page(store, run.session.job))
    third = Session.resume(store, run.session.job, known_meter())  # it replays
    assert third.engine.step.point == "G1"


def test_a_job_that_ended_with_a_jumper_in_is_gone_on_with_until_it_is_out(store: Store) -> None:
    run = begin(store, '- {id: seen, kind: look, point: Q1, ask: "Is it in?"}\n')
    run.jumper("X9")
    run.do_what_is_asked()
    run.answer(Answer.REFUSE)
    assert run.session.engine.ended
    summary = summarise(store.events(run.session.job, SUMMARY_KINDS))
    assert (summary.state, summary.jumpers_open) == (JobState.STOPPED, ("X9",))
    again = Run(Session.resume(store, run.session.job, known_meter()))
    assert again.told[0]["code"] == "jumper-open"
    again.answer(Answer.CONFIRM)
    assert again.session.engine.ended
    assert summarise(store.events(run.session.job, SUMMARY_KINDS)).state is JobState.COMPLETE


def age(store: Store, job: str, ns: int) -> None:
    """Make a job's log so much older, by the wall clock."""
    last = max(event.at.utc_ns for event in store.events(job))
    change(store, f"UPDATE event SET utc_ns = utc_ns - {last - time.time_ns() + ns}")


def change(store: Store, statement: str) -> None:
    with closing(sqlite3.connect(store.place)) as record:
        record.execute("DROP TRIGGER event_no_update")
        record.execute(statement)
        record.commit()


def test_what_was_fed_can_be_read_back(store: Store) -> None:
    run = begin(store)
    run.jumper("X9")
    run.session.close(Break.INTERRUPTED)
    items = [from_event(event) for event in store.events(run.session.job)]
    assert [item.where for item in items if isinstance(item, Jumper)] == ["X9"]
    assert not any(isinstance(item, End) for item in items)
