"""Contacts worked by hand, values watched, times taken: what becomes a verdict, what is begun anew, what is said."""

from decimal import Decimal
from typing import Self

import pytest

from bench import Bench
from known_meter import known_meter
from meterlink.outcome import Break, Change, Cue, Touch, Verdict

EDGE = {
    "id": "edge",
    "kind": "operate",
    "point": "S1:12",
    "reference": "S1:11",
    "measure": "continuity",
    "closed": "<= 2 Ohm",
    "times": 3,
}
GATE = {**EDGE, "id": "gate", "reference": "PE", "measure": "dc-voltage", "closed": "20..29 V", "open": "-1..1 V"}
HOLD = {
    "id": "hold",
    "kind": "watch",
    "point": "K1:A1",
    "reference": "PE",
    "measure": "dc-voltage",
    "limits": "20..29 V",
    "least": "5 s",
}
LOCK = {
    "id": "lock",
    "kind": "interval",
    "point": "B2:14",
    "reference": "PE",
    "measure": "dc-voltage",
    "from": "-1..1 V",
    "to": "20..29 V",
    "limits": "0.5..5 s",
}
NEXT = {"id": "next", "kind": "look", "point": "Q1", "ask": "Is it in?"}
BREAKS = (Break.LINK_LOST, Break.SILENT, Break.RESUMED)


class Contact(Bench):
    """A bench whose probes are on a contact, in continuity."""

    def closed(self, updates: int = 3, ohms: str = "0.3") -> Self:
        self.hold(ohms, updates, "continuity")
        return self

    def open(self, updates: int = 3) -> Self:
        self.hold("OL", updates, "continuity")
        return self

    def worked(self, times: int) -> Self:
        for _ in range(times):
            self.open().closed()
        return self


def last(bench: Bench) -> Verdict:
    return bench.of(Verdict)[-1]


def on_edge(**more: object) -> Contact:
    bench = Contact({**EDGE, **more}, NEXT)
    return bench.open(4)


# operate


def test_a_contact_that_opens_and_closes_as_often_as_asked_passes_by_itself() -> None:
    bench = on_edge().closed().worked(3)
    assert bench.verdicts == [("edge", "pass")]
    assert [(change.was, change.now) for change in bench.of(Change)] == [("closed", "open"), ("open", "closed")] * 3
    assert bench.cues.count("operate-ready") == 1
    assert [cue.text for cue in bench.of(Cue) if cue.code == "click"] == ["1 of 3.", "2 of 3."]
    assert str(last(bench).measured) == "0.3 Ohm"
    assert last(bench).limits == "closed <= 2 Ohm, open OL"
    assert "Leads taken off for as short would look the same." in last(bench).reason


def test_the_whole_operation_is_one_touch() -> None:
    bench = on_edge().closed().worked(3).open(5)
    assert bench.touches == [("edge", "matched")]
    (touch,) = bench.of(Touch)
    first = bench.of(Change)[0]
    assert touch.start < first.at < touch.end


def test_a_change_is_known_to_lie_between_two_updates() -> None:
    bench = Contact(EDGE, interval_s=0.5).open(4).closed().worked(3)
    change = bench.of(Change)[0]
    assert change.within_ns == 500_000_000
    assert change.at.seconds == Decimal("3.75")  # between the last closed update, at 3.5 s, and the first open one
    assert "± 0.50 s" in last(bench).reason


@pytest.mark.parametrize("answer", ["confirm", "refuse"])
def test_told_done_too_soon_fails(answer: str) -> None:
    bench = on_edge().closed().worked(2).closed(3).answer(answer)
    assert bench.verdicts == [("edge", "fail")]
    assert last(bench).reason.startswith("Ended after 2 of 3")


def test_an_answer_on_the_heels_of_a_click_ends_nothing() -> None:
    bench = on_edge().closed().worked(1).answer("confirm").worked(2)
    assert bench.verdicts == [("edge", "pass")]


def test_a_value_between_the_states_that_lifted_leads_may_show_is_told_and_not_judged() -> None:
    bench = Bench(GATE, NEXT).lift().hold("24.1", 3).hold("4.00", 12)
    assert bench.verdicts == []
    assert bench.cues.count("unsteady") == 1
    assert bench.answer("refuse").verdicts == [("gate", "fail")]


def test_an_answer_before_the_contact_was_seen_judges_nothing() -> None:
    bench = on_edge().answer("confirm").answer("refuse")
    assert bench.verdicts == []
    assert bench.cues[-2:] == ["nothing-to-confirm"] * 2


def test_leads_lifted_in_the_middle_begin_the_count_anew() -> None:
    bench = on_edge().closed().worked(2).open(25)
    assert bench.cues[-1] == "left-open"
    assert bench.closed().worked(2).verdicts == []
    assert bench.worked(1).verdicts == [("edge", "pass")]


def test_how_long_a_contact_may_stay_open_is_the_procedure_s_to_say() -> None:
    bench = on_edge(open_at_most="20 s", times=1).closed().open(25).closed()
    assert bench.verdicts == [("edge", "pass")]


def test_a_single_update_is_a_bounce_and_no_change() -> None:
    bench = on_edge().closed().open(1).closed().open(1).closed().worked(3)
    assert bench.verdicts == [("edge", "pass")]
    assert [change.bounces for change in bench.of(Change)] == [2, 0, 0, 0, 0, 0]
    assert "It bounced 2 times." in last(bench).reason


def test_chatter_while_it_opens_widens_the_time_of_the_change() -> None:
    bench = on_edge(times=1).closed().open(1).closed(1).open().closed()
    first, second = bench.of(Change)
    assert (first.bounces, second.bounces) == (1, 0)
    assert bench.verdicts == [("edge", "pass")]


def test_an_update_in_which_the_contact_opens_shows_part_of_the_value_and_is_not_judged() -> None:
    rule = {"rule": "guarded"}
    bench = Bench({**GATE, "judging": rule, "times": 1}, NEXT, instrument=known_meter()).lift()
    bench.show("24.95 24.95 24.95 20.02 0.11 0.02 0.02 24.95 24.95 24.95")
    assert bench.verdicts == [("gate", "pass")]
    assert str(last(bench).measured) == "24.95 V"


def test_a_contact_that_closes_badly_fails_as_soon_as_it_stands_so() -> None:
    bench = on_edge().closed().open().closed(6, ohms="8.0")
    assert bench.verdicts == [("edge", "fail")]
    assert str(last(bench).measured) == "8.0 Ohm"
    assert "neither closed (<= 2 Ohm) nor open (OL)" in last(bench).reason


def test_a_contact_that_is_bad_from_the_beginning_fails() -> None:
    assert on_edge().closed(6, ohms="8.0").verdicts == [("edge", "fail")]


def test_the_worst_closed_value_is_judged_with_its_uncertainty() -> None:
    rule = {"rule": "guarded", "coverage_factor": "2"}
    bench = Contact({**EDGE, "judging": rule, "times": 2}, NEXT, instrument=known_meter())
    bench.open(4).closed().open().closed(4, ohms="1.9").open().closed()
    assert bench.verdicts == [("edge", "unclear")]
    assert str(last(bench).measured) == "1.9 Ohm"
    assert last(bench).assessment is not None


def test_the_wrong_dial_is_told_and_counts_nothing() -> None:
    bench = on_edge().closed().worked(1).hold("0.00", 4)
    assert bench.cues[-1] == "started-over"
    bench.hold("24.10", 4)
    assert bench.cues[-1] == "wrong-function"
    assert bench.open(4).closed().worked(2).verdicts == []
    assert bench.worked(1).verdicts == [("edge", "pass")]


def test_hold_in_the_middle_begins_anew() -> None:
    bench = on_edge().closed().worked(2).show(["0.3"], "continuity", flags=["hold"])
    assert bench.cues[-2:] == ["hold", "started-over"]
    assert bench.closed().worked(2).verdicts == []
    assert bench.worked(1).verdicts == [("edge", "pass")]


@pytest.mark.parametrize("reason", BREAKS)
def test_a_broken_link_in_the_middle_begins_anew(reason: Break) -> None:
    bench = on_edge().closed().worked(2).gap(reason)
    assert "started-over" in bench.cues
    assert bench.closed().worked(2).verdicts == []
    assert bench.worked(1).verdicts == [("edge", "pass")]


def test_readings_that_stay_away_for_long_begin_anew() -> None:
    bench = on_edge().closed().worked(2).wait(4).closed()
    assert "started-over" in bench.cues
    assert bench.worked(2).verdicts == []


def test_repeat_in_the_middle_counts_anew() -> None:
    bench = on_edge().closed().worked(2).answer("repeat").open().closed().worked(2)
    assert bench.verdicts == []
    assert bench.worked(1).verdicts == [("edge", "pass")]


def test_a_voltage_below_zero_in_ohms_stops_the_count() -> None:
    bench = on_edge().closed().hold("-5.0", 2, "continuity")
    assert {"live-circuit", "started-over"} <= set(bench.cues)


def test_a_contact_that_is_still_held_from_the_step_before_must_be_lifted_first() -> None:
    before = {"id": "a", "kind": "reading", "point": "S1:12", "reference": "S1:11", "measure": "continuity"}
    bench = Contact({**before, "limits": "<= 2 Ohm"}, EDGE)
    bench.open(4).closed(4).closed(12)
    assert "lift-first" in bench.cues
    assert "operate-ready" not in bench.cues
    assert bench.open(4).closed().cues[-1] == "operate-ready"


def test_a_contact_that_is_open_at_rest_waits_for_the_technician_s_word() -> None:
    bench = on_edge(begins="open", times=2).open().closed().open()
    assert bench.of(Change) == []
    bench.answer("confirm").closed().open().closed().open()
    assert bench.verdicts == [("edge", "pass")]
    assert [change.now for change in bench.of(Change)] == ["closed", "open", "closed", "open"]


def test_a_contact_in_volts_that_leads_in_the_air_resemble_is_worked_all_the_same() -> None:
    bench = Bench(GATE, NEXT).lift()
    bench.hold("24.1", 3)
    for _ in range(3):
        bench.hold("0.02", 3).hold("24.0", 3)
    assert bench.verdicts == [("gate", "pass")]
    assert bench.touches == []
    assert bench.lift().touches == [("gate", "matched")]


def test_after_the_last_click_the_next_step_waits() -> None:
    bench = on_edge().closed().worked(3).answer("confirm").answer("confirm")
    assert bench.verdicts[0] == ("edge", "pass")
    assert bench.verdicts[1:] == [("next", "pass")]  # the first confirm came too soon after it was asked


# watch


def watching(**more: object) -> Bench:
    return Bench({**HOLD, **more}, NEXT).lift().hold("24.1", 5).answer("confirm")


def test_a_value_that_holds_passes_when_told_done_and_says_what_could_be_missed() -> None:
    bench = watching().hold("24.0", 8).hold("23.6", 8).hold("24.2", 2).answer("confirm")
    assert bench.verdicts == [("hold", "pass")]
    assert bench.cues.count("watch-ready") == bench.cues.count("watching") == 1
    assert str(last(bench).measured) == "23.6 V"
    assert "Inside for 7.3 s, 23.6 V to 24.2 V." in last(bench).reason
    assert "A dip shorter than 0.50 s can have been missed." in last(bench).reason


def test_told_done_too_soon_it_goes_on() -> None:
    bench = watching().hold("24.0", 5).answer("confirm")
    assert bench.verdicts == []
    assert bench.cues[-1] == "too-short"
    assert bench.hold("24.0", 8).answer("confirm").verdicts == [("hold", "pass")]


def test_one_update_outside_fails_and_says_when_and_for_how_long() -> None:
    bench = watching().hold("24.0", 5).show("3.2")
    assert bench.cues[-1] == "dip"
    assert bench.verdicts == []
    assert bench.show("24.0").verdicts == [("hold", "fail")]
    assert str(last(bench).measured) == "3.2 V"
    assert "after 2.5 s, for 0.0 s to 0.80 s" in last(bench).reason


def test_a_value_that_stays_away_fails_after_two_seconds() -> None:
    bench = watching().hold("24.0", 5).hold("3.2", 6)
    assert bench.verdicts == []
    assert bench.show("3.2").verdicts == [("hold", "fail")]
    assert "and not back" in last(bench).reason


def test_told_done_during_a_dip_fails() -> None:
    assert watching().hold("24.0", 20).show("3.2").answer("confirm").verdicts == [("hold", "fail")]


@pytest.mark.parametrize("glitch", ["-", "OL"])
def test_a_blank_or_one_overload_while_the_range_changes_is_no_dip_but_time_unseen(glitch: str) -> None:
    bench = watching().hold("24.0", 10).show(glitch).hold("24.0", 6).answer("confirm")
    assert bench.verdicts == [("hold", "pass")]
    assert "A dip shorter than 0.80 s can have been missed." in last(bench).reason


def test_two_overloads_are_a_dip() -> None:
    assert watching().hold("24.0", 10).show("OL OL 24.0").verdicts == [("hold", "fail")]


def test_a_slow_meter_says_that_it_misses_more() -> None:
    bench = Bench(HOLD, NEXT, interval_s=0.5).lift().hold("24.1", 5).answer("confirm").hold("24.1", 13)
    assert "shorter than 0.63 s" in last(bench.answer("confirm")).reason


def test_a_value_that_is_outside_before_watching_fails_as_a_reading_does() -> None:
    assert Bench(HOLD, NEXT).lift().hold("15.0", 6).verdicts == [("hold", "fail")]


def test_nothing_is_watched_before_it_is_confirmed() -> None:
    bench = Bench(HOLD, NEXT).lift().hold("24.1", 20).show("3.2").hold("24.1", 4)
    assert bench.verdicts == []


def test_watching_may_begin_by_itself() -> None:
    bench = Bench({**HOLD, "begins": "settled"}, NEXT).lift().hold("24.1", 20).answer("confirm")
    assert bench.cues.count("watching") == 1
    assert bench.verdicts == [("hold", "pass")]


@pytest.mark.parametrize("reason", BREAKS)
def test_a_broken_link_while_watching_begins_anew(reason: Break) -> None:
    bench = watching().hold("24.0", 20).gap(reason)
    assert "started-over" in bench.cues
    bench.hold("24.0", 20).answer("confirm")
    assert bench.verdicts == []  # that confirm begins the watching
    assert bench.hold("24.0", 13).answer("confirm").verdicts == [("hold", "pass")]


def test_hold_or_another_dial_while_watching_begins_anew() -> None:
    bench = watching().show(["24.0"], flags=["hold"])
    assert bench.cues[-2:] == ["hold", "started-over"]
    bench = watching().hold("24.0", 20, "ac-voltage")
    assert "started-over" in bench.cues
    assert "wrong-function" in bench.cues
    assert bench.verdicts == []


def test_silence_while_watching_begins_anew_and_an_old_reading_ends_nothing() -> None:
    bench = watching().hold("24.0", 20).wait(3).answer("confirm")
    assert bench.cues[-1] == "nothing-to-confirm"
    assert bench.wait(1).show("24.0").cues[-1] == "started-over"


def test_refusing_while_watching_begins_anew() -> None:
    bench = watching().hold("24.0", 5).answer("refuse")
    assert bench.cues[-1] == "started-over"
    assert bench.hold("24.0", 5).cues[-1] == "watch-ready"


def test_a_watched_value_too_near_a_limit_for_the_meter_is_unclear() -> None:
    step = {**HOLD, "judging": {"rule": "guarded"}}
    bench = Bench(step, NEXT, instrument=known_meter()).lift().hold("24.10", 5).answer("confirm")
    bench.hold("24.10", 10).hold("20.01", 1).hold("24.10", 6).answer("confirm")
    assert bench.verdicts == [("hold", "unclear")]


# interval


def locking(interval_s: float = 0.1) -> Bench:
    return Bench(LOCK, NEXT, interval_s=interval_s).lift(6).hold("24.1", 5)


def test_the_time_between_two_changes_is_judged_by_itself() -> None:
    bench = locking().hold("0.02", 20).hold("24.1", 4)
    assert bench.verdicts == [("lock", "pass")]
    assert str(last(bench).measured) == "2.000 s"
    assert [(change.was, change.now) for change in bench.of(Change)] == [("to", "from"), ("from", "to")]
    assert {"interval-ready", "timing"} <= set(bench.cues)
    assert "Lifted leads would look the same." in last(bench).reason


def test_the_updates_are_in_the_uncertainty_at_both_ends() -> None:
    verdict = last(locking(0.5).hold("0.02", 5).hold("24.1", 4))
    assert verdict.assessment is not None
    # Two rectangular halves of 0.25 s: u = sqrt(2) * 0.25 / sqrt(3) = 0.204 s (GUM 4.3.7), U = 2 u
    assert float(verdict.assessment.standard_uncertainty or 0) == pytest.approx(0.2041, abs=1e-4)
    assert float(verdict.assessment.expanded_uncertainty or 0) == pytest.approx(0.4082, abs=1e-4)
    assert [line.name for line in verdict.assessment.budget] == ["first change", "second change"]
    assert "± 0.50 s" in verdict.reason


def test_a_guarded_rule_leaves_a_time_at_the_limit_unclear() -> None:
    step = {**LOCK, "limits": "<= 2.2 s", "judging": {"rule": "guarded"}}
    bench = Bench(step, NEXT, interval_s=0.5).lift(6).hold("24.1", 5).hold("0.02", 4).hold("24.1", 4)
    assert bench.verdicts == [("lock", "unclear")]


def test_a_lock_that_comes_too_late_fails() -> None:
    assert locking().hold("0.02", 60).hold("24.1", 4).verdicts == [("lock", "fail")]


def test_a_lock_that_never_comes_fails_when_refused() -> None:
    bench = locking().hold("0.02", 60).answer("refuse")
    assert bench.verdicts == [("lock", "fail")]
    assert last(bench).measured is None


def test_part_values_on_the_way_only_widen_what_is_known() -> None:
    bench = locking().show("12.3").hold("0.02", 20).show("7.5").hold("24.1", 4)
    assert [change.within_ns for change in bench.of(Change)] == [200_000_000] * 2
    assert str(last(bench).measured) == "2.100 s"


def test_bounce_of_the_lock_is_counted() -> None:
    bench = locking().hold("0.02", 10).show("24.1").hold("0.02", 10).hold("24.1", 4)
    assert bench.verdicts == [("lock", "pass")]
    assert "It bounced once." in last(bench).reason


def test_the_clock_starts_only_from_a_state_that_was_seen() -> None:
    bench = Bench(LOCK, NEXT, interval_s=0.1).hold("0.02", 30).hold("24.1", 5)
    assert bench.verdicts == []
    assert bench.cues[-1] == "interval-ready"


def test_a_state_before_that_leads_in_the_air_show_is_confirmed() -> None:
    step = {**LOCK, "from": "20..29 V", "to": "-1..1 V"}
    bench = Bench(step, NEXT, interval_s=0.1).hold("0.02", 10)
    assert bench.hold("24.1", 10).hold("0.02", 10).verdicts == []
    bench.answer("confirm").hold("24.1", 20).hold("0.02", 4)
    assert bench.verdicts == [("lock", "pass")]


@pytest.mark.parametrize("reason", BREAKS)
def test_a_broken_link_while_the_clock_runs_begins_anew(reason: Break) -> None:
    bench = locking().hold("0.02", 10).gap(reason).hold("0.02", 5).hold("24.1", 5)
    assert "started-over" in bench.cues
    assert bench.verdicts == []
    assert bench.hold("0.02", 20).hold("24.1", 4).verdicts == [("lock", "pass")]


def test_hold_and_the_wrong_dial_while_the_clock_runs_begin_anew() -> None:
    bench = locking().hold("0.02", 10).show(["0.02"], flags=["hold"])
    assert bench.cues[-2:] == ["hold", "started-over"]
    bench = locking().hold("0.02", 10).hold("OL", 3, "resistance")
    assert bench.cues[-1] == "started-over"


# on the way through


@pytest.mark.parametrize("step", [EDGE, HOLD, LOCK])
def test_going_back_and_forth_begins_each_kind_anew(step: dict[str, object]) -> None:
    bench = Bench(NEXT, step).answer("confirm").wait(1).answer("back").answer("back")
    assert bench.engine.step.id == "next"
    assert bench.wait(1).answer("confirm").engine.step.id == step["id"]
