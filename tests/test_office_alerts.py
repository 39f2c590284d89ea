"""What the office is alerted to, and by which rule; what its cards say, whatever a crew's log holds."""

import json
from collections.abc import Sequence
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterlink.note import Note
from meterlink.office.account import LONGEST, Account
from meterlink.office.alerts import GRACE_S, LONG, QUIET_S, RANK, SILENT_S, About, Case, Link, alerts
from meterlink.office.card import Phase, card, is_history, phase_of
from meterlink.office.plan import Plan, plan_of
from meterlink.outcome import Break, Gap, Jumper, Reopened, VerdictOutcome
from meterlink.reading import NS_PER_S, Instant
from meterlink.record.codec import to_entry
from meterlink.record.entry import Entry, Event, Kind
from meterlink.record.store import Job
from record_samples import PROCEDURE, SOURCE, STARTED_UTC_NS, at, end, probe, touch, verdict

PLAN = plan_of(SOURCE)
JOB = Job(
    id="20261125-k7m4",
    procedure="two-points",
    title=PROCEDURE.title,
    revision="7",
    source=SOURCE,
    source_sha256="",
    meter="sim:healthy",
    meter_identity=None,
    software="steadypoint 0.1.0",
    started_utc_ns=STARTED_UTC_NS,
    utc_offset_s=0,
    lift="A1",
)
ONLINE = Link(online=True, meter="live", battery=80, job=JOB.id, heard_utc_ns=STARTED_UTC_NS)


def events(entries: Sequence[Entry]) -> list[Event]:
    return [Event(each.kind, each.at, each.body, each.raw, seq=seq) for seq, each in enumerate(entries, 1)]


def account(*entries: Entry) -> Account:
    told = Account()
    for event in events(entries):
        told.take(event)
    return told


def after(seconds: float) -> int:
    """The office's clock, so long after the job began."""
    return STARTED_UTC_NS + round(seconds * NS_PER_S)


def about(case: Case, seconds: float) -> list[About]:
    return [alert.about for alert in alerts(case, after(seconds))]


def running(*entries: Entry, link: Link | None = None, ahead_ns: int = 0) -> Case:
    started = (to_entry(probe("battery", 0)), *entries)
    return Case(account(*started), PLAN, link, ahead_ns=ahead_ns)


def test_the_plan_has_the_steps_with_their_points_and_kinds() -> None:
    assert [(step.id, step.point, step.kind) for step in PLAN.steps] == [
        ("breaker", "Q1", "look"),
        ("battery", "G1:+", "reading"),
        ("fuse", "F1:2", "reading"),
    ]
    assert PLAN.point("fuse") == "F1:2"
    assert PLAN.point("find-1") == "find-1"


def test_a_procedure_that_cannot_be_read_has_no_plan() -> None:
    assert plan_of("procedure: [") == Plan()


def test_a_fail_is_alerted_until_a_later_verdict() -> None:
    failed = to_entry(verdict("battery", "0.02", VerdictOutcome.FAIL, 9000))
    case = running(failed)
    (alert,) = alerts(case, after(10))
    assert (alert.about, alert.words, alert.since_utc_ns) == (About.FAIL, "G1:+ failed: 0.02 V", after(9))
    passed = to_entry(verdict("fuse", "25.1", VerdictOutcome.PASS, 12000))
    assert about(running(failed, passed), 13) == []


def test_a_verdict_that_was_reopened_alerts_no_more() -> None:
    failed = to_entry(verdict("battery", "0.02", VerdictOutcome.FAIL, 9000))
    assert about(running(failed, to_entry(Reopened(("battery",), "mended", at(9500)))), 10) == []


@pytest.mark.parametrize("kind", sorted(QUIET_S))
def test_stuck_depends_on_the_kind_of_step_and_says_so(kind: str) -> None:
    step = replace(PLAN.steps[1], kind=kind)
    case = replace(running(), plan=Plan((step,), {step.id: step}))
    if kind == "search":
        case.account.searching, case.account.point = True, "G1:+"
    assert about(case, QUIET_S[kind]) == []
    (alert,) = alerts(case, after(QUIET_S[kind] + 1))
    assert alert.about is About.STUCK
    assert f"rule: {QUIET_S[kind] // 60} min at a step of kind {kind}" in alert.words
    assert alert.words.startswith("stuck at G1:+")


def test_touches_without_end_are_stuck_too() -> None:
    quiet = QUIET_S["reading"]
    minutes = range(1, LONG * quiet // 60 + 1)
    touches = [to_entry(touch("battery", "3.1", n * 60_000 - 900, n * 60_000)) for n in minutes]
    case = running(*touches)
    assert about(case, LONG * quiet) == []
    (alert,) = alerts(case, after(LONG * quiet + 1))
    assert f"no verdict (rule: {LONG * quiet // 60} min" in alert.words


def test_a_lost_link_is_alerted_after_a_moment_and_hides_that_nothing_goes_on() -> None:
    gone = replace(ONLINE, online=False, heard_utc_ns=after(10)).after(ONLINE)
    assert gone.trouble_utc_ns == after(10)
    assert about(running(link=gone), 10 + GRACE_S - 1) == []
    assert about(running(link=gone), 10 + GRACE_S) == [About.LINK]
    assert about(running(link=gone), QUIET_S["reading"] + 100) == [About.LINK]


def test_trouble_counts_from_its_beginning_however_often_it_is_said() -> None:
    first = replace(ONLINE, meter="silent", heard_utc_ns=after(10)).after(ONLINE)
    again = replace(first, trouble_utc_ns=None, heard_utc_ns=after(70)).after(first)
    assert again.trouble_utc_ns == after(10)
    assert replace(ONLINE, heard_utc_ns=after(90)).after(again).trouble_utc_ns is None


def test_a_meter_that_its_log_says_is_lost_is_alerted_without_any_status() -> None:
    case = running(to_entry(Gap(at(5000), Break.LINK_LOST)))
    assert about(case, 5 + GRACE_S) == [About.LINK]
    back = running(to_entry(Gap(at(5000), Break.LINK_LOST)), to_entry(Gap(at(9000), Break.LINK_BACK)))
    assert about(back, 60) == []


def test_a_crew_of_which_nothing_is_heard_is_lost() -> None:
    assert about(running(link=ONLINE), SILENT_S) == []
    assert about(running(link=ONLINE), SILENT_S + 1) == [About.LINK]


def test_battery_calibration_and_refused_messages_are_told_last() -> None:
    case = running(link=replace(ONLINE, meter="low-battery"))
    case.account.calibration, case.account.due = "overdue", "2026-03-31"
    case = replace(case, asides=3)
    found = list(alerts(case, after(1)))
    assert [alert.about for alert in found] == [About.BATTERY, About.CALIBRATION, About.ASIDE]
    assert "2026-03-31" in found[1].words


def test_a_clock_that_is_ahead_alters_no_alert() -> None:
    ahead = 3600 * NS_PER_S
    failed = to_entry(verdict("battery", "0.02", VerdictOutcome.FAIL, 3_600_000 + 9000))
    told = account(to_entry(probe("battery", 3_600_000)), failed)
    case = Case(told, PLAN, ahead_ns=ahead)
    assert about(case, 30) == [About.FAIL]
    assert next(iter(alerts(case, after(30)))).since_utc_ns == after(9)


def test_the_phases() -> None:
    assert phase_of(running(link=ONLINE), JOB.id) is Phase.RUNNING
    assert phase_of(running(link=replace(ONLINE, job="another")), JOB.id) is Phase.LEFT
    assert phase_of(running(to_entry(Gap(at(9), Break.INTERRUPTED))), JOB.id) is Phase.LEFT
    assert phase_of(running(to_entry(end(9, complete=True))), JOB.id) is Phase.ENDED
    assert phase_of(running(to_entry(end(9, complete=False))), JOB.id) is Phase.STOPPED
    taken_up = running(to_entry(end(9, complete=False)), to_entry(probe("fuse", 20)))
    assert phase_of(taken_up, JOB.id) is Phase.RUNNING


def test_an_ended_job_becomes_history() -> None:
    ended = running(to_entry(end(9, complete=True)))
    assert not is_history(ended, after(0), after(29 * 60))
    assert is_history(ended, after(0), after(31 * 60))
    assert not is_history(running(), after(0), after(3600))


def shown_card(case: Case, seconds: float) -> dict[str, object]:
    return dict(card(JOB, device="crew-1", site="north", case=case, now_utc_ns=after(seconds)))


def test_what_needs_help_first_comes_first_and_in_it_the_newest() -> None:
    failed = running(to_entry(verdict("battery", "0.02", VerdictOutcome.FAIL, 9000)), link=ONLINE)
    failed_later = running(to_entry(verdict("battery", "0.02", VerdictOutcome.FAIL, 10_000)), link=ONLINE)
    lost = running(link=replace(ONLINE, online=False).after(None))
    fine = running(link=ONLINE)
    left = running(to_entry(Gap(at(9), Break.INTERRUPTED)))
    stopped = running(
        to_entry(verdict("battery", "0.02", VerdictOutcome.FAIL, 9000)), to_entry(end(9500, complete=False))
    )
    ended = running(to_entry(end(9, complete=True)))
    wanted = [failed_later, failed, lost, fine, stopped, left, ended]
    orders = [shown_card(case, 60)["order"] for case in wanted]
    assert all(isinstance(order, list) for order in orders)
    assert orders == sorted(orders, key=lambda order: order if isinstance(order, list) else [])
    assert len({json.dumps(order) for order in orders}) == len(orders)


def test_notes_are_remembered_with_their_photos() -> None:
    told = account(to_entry(Note("The cover was loose.", "technician", at(5))), to_entry(Jumper(True, "X1", "", at(6))))
    assert [(each.text, each.by, each.photo) for each in told.remarks] == [("The cover was loose.", "technician", None)]


# Whatever a crew's log holds

LEAVES = st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=9) | st.just("long " * 90)
JSON = LEAVES | st.lists(LEAVES, max_size=2) | st.dictionaries(st.sampled_from(["point", "sha256"]), LEAVES, max_size=2)
NAMES = st.sampled_from(
    [
        *("step", "code", "text", "outcome", "value", "unit", "limits", "reason", "about", "by", "photo", "note"),
        *("complete", "lost_between", "steps", "next", "answer", "sure", "calibration", "due", "instrument", "point"),
    ]
)
WORDS = st.sampled_from(
    ["probe", "look", "find-1", "battery", "pass", "fail", "unclear", "remark", "link-lost", "ended", "overdue"]
)
BODIES = st.dictionaries(NAMES, JSON | WORDS, max_size=8)
LINES = st.lists(st.tuples(st.sampled_from(Kind), st.integers(0, 10**7), BODIES), max_size=12)


def written(lines: list[tuple[Kind, int, dict[str, object]]]) -> list[Event]:
    return events([Entry(kind, at(ms), body) for kind, ms, body in lines if kind is not Kind.READING])


@given(LINES, st.integers(0, 10**6))
def test_no_log_leads_to_an_error_and_every_text_is_cut(
    lines: list[tuple[Kind, int, dict[str, object]]], seconds: int
) -> None:
    told = Account()
    for event in written(lines):
        told.take(event)
    case = Case(told, PLAN, ONLINE)
    text = json.dumps(shown_card(case, seconds), allow_nan=False)
    assert len(text) < 40_000
    assert all(len(each) <= LONGEST for each in (told.ask, told.said, told.point, told.due, told.found))
    ranks = [RANK[alert.about] for alert in alerts(case, after(seconds))]
    assert ranks == sorted(set(ranks)), "each alert once, the weightiest first"


@given(LINES, st.integers(0, 20))
def test_a_log_read_in_pieces_and_again_tells_the_same(
    lines: list[tuple[Kind, int, dict[str, object]]], cut: int
) -> None:
    whole, pieces = Account(), Account()
    log = written(lines)
    for event in log:
        whole.take(event)
    for event in [*log[:cut], *log[:cut], *log]:
        pieces.take(event)
    assert repr(pieces) == repr(whole)  # a number that is none equals nothing, but is written alike


@given(LINES, st.integers(0, 10**5), st.integers(0, 10**5))
def test_an_alert_that_the_time_raises_stays_as_the_time_goes_on(
    lines: list[tuple[Kind, int, dict[str, object]]], seconds: int, more: int
) -> None:
    told = Account()
    for event in written(lines):
        told.take(event)
    case = Case(told, PLAN, ONLINE)
    before, later = set(about(case, seconds)), set(about(case, seconds + more))
    assert before - {About.STUCK} <= later
    assert About.STUCK not in before or later & {About.STUCK, About.LINK}


def test_instants_are_by_the_wall() -> None:
    """The office compares wall clocks; a crew's monotonic one says nothing here."""
    told = Account()
    told.take(Event(Kind.TOUCH, Instant(10**15, after(3)), {}, seq=1))
    assert told.progress_utc_ns == after(3)
