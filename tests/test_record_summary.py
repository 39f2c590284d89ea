from meterlink.outcome import Outcome, TouchOutcome, VerdictOutcome
from meterlink.record.codec import to_entry
from meterlink.record.entry import Event
from meterlink.record.summary import JobState, Summary, summarise
from record_samples import at, end, probe, touch, verdict

PASS, FAIL, UNCLEAR, _ = VerdictOutcome


def summary_of(*outcomes: Outcome) -> Summary:
    entries = map(to_entry, outcomes)
    return summarise(
        Event(entry.kind, entry.at, entry.body, entry.raw, seq=seq) for seq, entry in enumerate(entries, 1)
    )


def test_a_job_without_events_is_interrupted_and_empty() -> None:
    summary = summary_of()
    assert summary == Summary()
    assert summary.state is JobState.INTERRUPTED
    assert (summary.unjudged_touches, summary.lost_between) == ([], None)


def test_a_later_verdict_supersedes_and_both_are_kept() -> None:
    summary = summary_of(
        verdict("fuse", "0.02", FAIL, 1000),
        verdict("battery", "25.60", PASS, 2000),
        verdict("fuse", "25.58", PASS, 9000),
    )
    assert list(summary.steps) == ["fuse", "battery"]
    fuse = summary.steps["fuse"]
    assert (fuse.outcome, fuse.attempts, fuse.at, fuse.last["value"]) == (PASS, 2, at(9000), "25.58")
    assert [event.body["outcome"] for event in fuse.verdicts] == ["fail", "pass"]
    assert [summary.count(outcome) for outcome in VerdictOutcome] == [2, 0, 0, 0]


def test_a_pass_can_be_superseded_by_a_fail() -> None:
    summary = summary_of(verdict("fuse", "25.58", PASS, 1000), verdict("fuse", "0.02", FAIL, 2000))
    assert [summary.count(outcome) for outcome in VerdictOutcome] == [0, 1, 0, 0]


def test_the_state_follows_the_end() -> None:
    judged = verdict("fuse", "0.02", FAIL, 1000)
    assert summary_of(judged).state is JobState.INTERRUPTED
    assert summary_of(judged, end(1000, complete=True)).state is JobState.COMPLETE
    assert summary_of(judged, end(1000, complete=False)).state is JobState.STOPPED


def test_a_stopped_job_taken_up_again_has_no_end_until_the_next() -> None:
    outcomes = (
        verdict("fuse", "0.02", FAIL, 1000),
        end(1000, complete=False, lost_between=("G1:+", "F1:2")),
        probe("fuse", 5000),
    )
    assert summary_of(*outcomes).state is JobState.INTERRUPTED
    assert summary_of(*outcomes).lost_between is None
    assert summary_of(*outcomes, end(9000, complete=True)).state is JobState.COMPLETE


def test_where_the_voltage_is_lost_comes_from_the_end() -> None:
    assert summary_of(end(1, complete=True, lost_between=("G1:+", "F1:2"))).lost_between == ("G1:+", "F1:2")
    assert summary_of(end(1, complete=True)).lost_between is None


def test_touches_without_a_verdict_of_their_step_are_told_apart() -> None:
    summary = summary_of(
        touch("fuse", "24.90", 100, 900, TouchOutcome.UNSTEADY),
        verdict("fuse", "25.58", PASS, 1500),
        touch("fuse", "25.58", 1000, 2500),
        touch("fuse", "25.58", 3000, 4000, TouchOutcome.RETOUCH),
        touch(None, "12.00", 5000, 6000, TouchOutcome.NOT_EXPECTED),
        verdict("battery", "25.60", PASS, 7500),
        touch("other", "25.60", 7000, 8000, TouchOutcome.NOT_EXPECTED),
    )
    assert len(summary.touches) == 5
    assert [event.body["from"] for event in summary.unjudged_touches] == [0.1, 3.0, 5.0, 7.0]


def test_a_verdict_on_the_last_or_first_reading_of_a_touch_belongs_to_it() -> None:
    first = (verdict("fuse", "25.58", PASS, 1000), touch("fuse", "25.58", 1000, 2500))
    last = (verdict("battery", "25.58", PASS, 4000), touch("battery", "25.58", 3000, 4000))
    assert summary_of(*first, *last).unjudged_touches == []
