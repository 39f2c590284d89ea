"""The engine: which touches become verdicts, for which step, and what is only a cue."""

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench import OHMS, Bench, procedure, reading_step
from meterlink.engine import Engine
from meterlink.outcome import Answer, Break, Cue, Gap, Input, Touch, Verdict
from meterlink.reading import Instant

A = reading_step("a", "22.0..29.0 V")
B = reading_step("b", "22.0..29.0 V")
AGREE = {
    "id": "b",
    "kind": "agree",
    "point": "b:1",
    "reference": "earth bar",
    "measure": "dc-voltage",
    "with": "a",
    "within": "0.3 V",
}
LOOK = {"id": "look", "kind": "look", "point": "Q1", "ask": "Is the breaker pushed in?"}
LOOP = {"id": "loop", "kind": "reading", "point": "X1:7", "limits": "<= 2 Ohm", **OHMS}
ISOLATED = reading_step("isolated", "<= 0.5 V")


def touched(bench: Bench, display: str = "24.10") -> Bench:
    """Touch, long enough for any verdict, and lift off."""
    return bench.hold(display, 6).lift()


# From touch to verdict


def test_each_touch_after_a_lift_is_judged_for_the_step_that_waits() -> None:
    bench = touched(touched(Bench(A, B).lift(), "24.10"), "24.05")
    assert bench.verdicts == [("a", "pass"), ("b", "pass")]
    assert bench.touches == [("a", "matched"), ("b", "matched")]
    assert bench.outcomes[-1] == bench.engine.tally(bench.outcomes[-1].at)  # type: ignore[union-attr]


def test_the_verdict_comes_with_the_third_steady_update() -> None:
    assert Bench(A).lift().show("13.11 24.10 24.10").verdicts == []
    assert Bench(A).lift().show("13.11 24.10 24.10 24.10").verdicts == [("a", "pass")]


def test_the_first_step_needs_no_lift_because_no_verdict_came_before_it() -> None:
    assert Bench(A).hold("24.10", 3).verdicts == [("a", "pass")]


def test_holding_on_gives_no_second_verdict() -> None:
    assert Bench(A, B).lift().hold("24.10", 60).verdicts == [("a", "pass")]


def test_sliding_to_another_terminal_without_a_lift_gives_no_verdict() -> None:
    bench = Bench(A, B).lift().hold("24.10", 4).hold("23.00", 20)
    assert bench.verdicts == [("a", "pass")]
    assert "lift-first" in bench.cues


@pytest.mark.parametrize("dip", ["0.00", "12.05", "0.02 -", "- -", "OL"])
def test_a_bounce_or_slip_shorter_than_a_lift_gives_the_next_step_nothing(dip: str) -> None:
    bench = Bench(A, B).lift().hold("24.10", 4).show(dip).hold("24.10", 20)
    assert bench.verdicts == [("a", "pass")]


def test_a_short_return_to_the_point_just_judged_is_recorded_as_a_retouch() -> None:
    bench = Bench(A, B).lift().hold("24.10", 4).show("0.00").hold("24.10", 4).lift()
    assert bench.touches == [("a", "matched"), ("a", "retouch")]


def test_a_fast_meter_shows_several_updates_in_a_slip_and_still_it_is_none_the_less() -> None:
    bench = Bench(A, B, interval_s=0.1).hold("0.00", 8).hold("24.10", 8).hold("0.00", 4).hold("24.10", 20)
    assert bench.verdicts == [("a", "pass")]
    assert bench.hold("0.00", 7).hold("24.10", 6).verdicts == [("a", "pass"), ("b", "pass")]


def test_a_slip_of_six_tenths_of_a_second_is_no_lift_however_it_falls_between_the_updates() -> None:
    bench = Bench(A, B, interval_s=0.2).lift().hold("24.10", 4).show("0.02 0.01 0.01").hold("24.10", 20)
    assert bench.verdicts == [("a", "pass")]


def test_a_bounce_while_settling_only_starts_the_settling_anew() -> None:
    bench = Bench(A).lift().show("24.10 24.10 0.00 24.10 24.10")
    assert bench.verdicts == []
    assert bench.show("24.10").verdicts == [("a", "pass")]
    assert bench.touches == [("a", "matched")]


def test_ranging_blanks_and_coarser_ranges_do_not_count() -> None:
    bench = Bench(A).lift().show("OL", scale=-3).show("- 24 24 24.1 24.1 24.10 24.10")
    assert bench.verdicts == []
    assert bench.show("24.10").verdicts == [("a", "pass")]


def test_a_creeping_value_is_not_judged_while_it_creeps() -> None:
    creep = [f"{21 + 0.02 * update:.2f}" for update in range(200)]
    bench = Bench(A).lift().show(creep)
    assert bench.verdicts == []
    assert "unsteady" in bench.cues
    assert bench.hold(creep[-1], 3).verdicts == [("a", "pass")]


def test_a_touch_that_never_settles_ends_as_unsteady() -> None:
    assert Bench(A).lift().show("20.00 25.10 21.50 26.00 20.50").lift().touches == [(None, "unsteady")]


def test_floating_leads_that_wander_are_never_judged() -> None:
    ghost = "0.31 1.20 4.80 7.10 5.20 3.60 4.40 6.90 2.10 0.90 1.70 3.80 "
    assert Bench(A).show(ghost * 10).verdicts == []


@pytest.mark.parametrize("stray", ["4.10", "5.20"])
def test_steady_stray_voltage_on_lifted_leads_is_not_a_point_that_failed(stray: str) -> None:
    bench = Bench(A, B).lift().hold("24.10", 4).hold(stray, 20)
    assert bench.verdicts == [("a", "pass")]
    assert touched(bench, "24.05").verdicts == [("a", "pass"), ("b", "pass")]


def test_a_point_that_jumps_to_a_low_voltage_fails_by_itself() -> None:
    assert Bench(A).lift().hold("6.20", 5).verdicts == [("a", "fail")]


def test_wandering_stray_voltage_is_a_lift_all_the_same() -> None:
    ghost = "2.80 5.10 4.20 3.60 4.40 4.90"
    bench = Bench(A, B).lift().hold("24.10", 4).show(ghost).hold("24.10", 4)
    assert bench.verdicts == [("a", "pass"), ("b", "pass")]


def test_a_live_value_outside_the_limits_fails_by_itself() -> None:
    bench = touched(Bench(A, B).lift(), "19.80")
    assert bench.verdicts == [("a", "fail")]
    assert bench.touches == [("a", "out-of-limits")]


def test_a_value_with_a_prefix_is_judged_in_its_unit() -> None:
    bench = Bench(A).lift().hold("24.1", 20, scale=-3)
    assert bench.verdicts == []  # 24.1 mV is a dead point, not 24 V


def test_the_same_conversion_sent_twice_counts_once() -> None:
    bench = Bench(A, interval_s=0.01).hold("24.10", 3)
    assert bench.verdicts == []


# What is refused


@pytest.mark.parametrize(
    ("flag", "code"),
    [
        ("hold", "hold"),
        ("relative", "relative"),
        ("minimum", "min-max"),
        ("maximum", "min-max"),
        ("low-battery", "low-battery"),
    ],
)
def test_a_display_that_does_not_show_the_live_value_is_cued_once_and_never_judged(flag: str, code: str) -> None:
    bench = Bench(A).lift().show(["24.10"] * 20, flags=[flag])
    assert bench.verdicts == []
    assert bench.cues.count(code) == 1
    assert bench.answer("confirm").verdicts == []
    assert bench.hold("24.10", 3).verdicts == [("a", "pass")]


def test_a_held_value_cannot_be_carried_to_the_next_point() -> None:
    bench = Bench(A, B).lift().hold("24.10", 4).show(["24.10"] * 20, flags=["hold"]).hold("24.10", 10)
    assert bench.verdicts == [("a", "pass")]


def test_ac_for_dc_is_a_wrong_function_even_where_the_number_fits() -> None:
    bench = Bench(A).lift().hold("24.10", 20, "ac-voltage").hold("0.00", 4, "ac-voltage")
    assert bench.verdicts == []
    assert bench.touches == [(None, "wrong-function")]
    assert bench.cues.count("wrong-function") == 1
    assert "DC volts" in bench.of(Cue)[-1].text


def test_the_wrong_function_is_told_of_while_the_leads_are_in_the_air() -> None:
    bench = Bench(LOOP).hold("0.00", 9)
    assert "wrong-function" not in bench.cues
    assert bench.hold("0.00", 4).cues.count("wrong-function") == 1


def test_reversed_leads_are_cued_and_pass_once_swapped() -> None:
    bench = Bench(A).lift().hold("-24.10", 12).lift()
    assert bench.verdicts == []
    assert bench.touches == [(None, "reversed")]
    assert bench.cues.count("reversed") == 1
    assert touched(bench).verdicts == [("a", "pass")]


def test_a_live_point_with_reversed_leads_does_not_pass_for_isolated() -> None:
    bench = Bench(ISOLATED).lift().hold("-24.10", 20)
    assert bench.verdicts == []
    assert "reversed" in bench.cues


def test_a_display_that_stays_overloaded_in_volts_asks_for_another_range() -> None:
    bench = Bench(A).lift().hold("OL", 10, scale=-3)
    assert bench.verdicts == []
    assert "overload" in bench.cues


def test_a_resistance_below_zero_means_voltage_on_the_circuit() -> None:
    bench = Bench(LOOP).hold("-40.0", 10, "resistance")
    assert bench.verdicts == []
    assert "live-circuit" in bench.cues


# Dead points and open circuits need the technician's word


def test_a_dead_reading_gives_a_verdict_only_after_confirm_while_it_lasts() -> None:
    bench = Bench(A, B).lift().hold("0.00", 20)
    assert bench.verdicts == []
    assert "confirm-dead" in bench.cues
    bench.confirm_dead()
    assert bench.verdicts == [("a", "fail")]
    assert bench.of(Verdict)[0].confirmed
    assert bench.touches == [("a", "out-of-limits")]


def test_a_touch_that_the_display_has_not_caught_up_with_is_not_a_dead_point() -> None:
    """The technician confirms on arriving at the point; the next update shows that it is live."""
    bench = Bench(A).lift().hold("0.00", 5).answer("confirm").show("24.10")
    assert bench.verdicts == []
    assert bench.cues[-1] == "nothing-to-confirm"
    assert bench.hold("24.10", 2).verdicts == [("a", "pass")]


def test_a_confirmed_dead_reading_that_lasts_to_the_end_of_the_stream_counts() -> None:
    assert Bench(A).lift().hold("0.00", 5).answer("confirm").gap(Break.ENDED).verdicts == [("a", "fail")]
    assert Bench(A).lift().hold("0.00", 5).answer("confirm").gap(Break.LINK_LOST).verdicts == []


def test_confirm_on_a_live_or_moving_value_confirms_nothing() -> None:
    assert Bench(A).lift().show("24.10 24.10").answer("confirm").verdicts == []
    assert Bench(A).show("0.1 1.9 0.4 2.7 0.2").answer("confirm").verdicts == []


def test_confirm_with_no_fresh_reading_confirms_nothing() -> None:
    bench = Bench(A).lift().hold("0.00", 5).wait(2.5).answer("confirm")
    assert bench.verdicts == []
    assert bench.cues[-1] == "nothing-to-confirm"


def test_pressing_twice_judges_one_dead_point_not_two() -> None:
    bench = Bench(A, B).lift().hold("0.00", 5).answer("confirm").answer("confirm").show("0.00").answer("confirm")
    assert bench.verdicts == [("a", "fail")]
    assert bench.hold("0.00", 4).confirm_dead().verdicts == [("a", "fail"), ("b", "fail")]


def test_a_step_that_expects_no_voltage_passes_only_when_confirmed() -> None:
    bench = Bench(ISOLATED).hold("0.00", 20)
    assert bench.verdicts == []
    assert bench.confirm_dead().verdicts == [("isolated", "pass")]


def test_a_live_point_that_should_be_dead_fails_by_itself() -> None:
    assert Bench(ISOLATED).lift().hold("24.10", 5).verdicts == [("isolated", "fail")]


def test_an_open_loop_reads_like_leads_in_the_air_and_needs_confirming() -> None:
    bench = Bench(LOOP).hold("OL", 20, "resistance", scale=6)
    assert bench.verdicts == []
    assert bench.confirm_dead("OL", "resistance", 6).verdicts == [("loop", "fail")]
    assert bench.of(Verdict)[0].as_json()["value"] == "OL"


def test_skin_between_the_tips_is_not_a_loop_that_failed() -> None:
    assert Bench(LOOP).show(["2.31", "2.30", "2.31", "2.30", "2.31"] * 4, "resistance", scale=6).verdicts == []


def test_a_closed_loop_passes_by_itself() -> None:
    assert Bench(LOOP).hold("OL", 3, "resistance").hold("0.4", 4, "resistance").verdicts == [("loop", "pass")]


@pytest.mark.parametrize("limits", ["OL", ">= 1 MOhm"])
def test_an_open_circuit_that_is_wanted_needs_confirming_too(limits: str) -> None:
    step = {**LOOP, "limits": limits}
    bench = Bench(step).hold("OL", 20, "resistance", scale=6)
    assert bench.verdicts == []
    assert bench.confirm_dead("OL", "resistance", 6).verdicts == [("loop", "pass")]
    assert Bench(step).hold("OL", 3, "resistance").hold("0.4", 5, "resistance").verdicts == [("loop", "fail")]


# Agreement


def test_both_sides_of_a_fuse_agree() -> None:
    assert touched(touched(Bench(A, AGREE).lift(), "25.40"), "25.11").verdicts == [("a", "pass"), ("b", "pass")]
    assert touched(touched(Bench(A, AGREE).lift(), "25.40"), "25.09").verdicts == [("a", "pass"), ("b", "fail")]


def test_two_dead_sides_prove_nothing_about_the_fuse_between_them() -> None:
    """Nothing on both: look upstream (common practice, no source)."""
    bench = Bench(A, AGREE).lift().hold("0.00", 4).confirm_dead().hold("0.00", 4).confirm_dead()
    assert bench.verdicts == [("a", "fail"), ("b", "unclear")]


# Looking, going back, stopping


def test_a_look_step_takes_yes_and_no() -> None:
    assert Bench(LOOK).answer("confirm").verdicts == [("look", "pass")]
    assert Bench(LOOK).answer("refuse").verdicts == [("look", "fail")]


def test_a_second_press_within_a_blink_does_not_answer_the_next_question() -> None:
    bench = Bench(LOOK, {**LOOK, "id": "second"}).answer("confirm").answer("confirm")
    assert bench.verdicts == [("look", "pass")]
    assert bench.wait(0.3).answer("confirm").verdicts == [("look", "pass"), ("second", "pass")]


def test_touches_during_a_look_step_are_recorded_but_not_judged() -> None:
    bench = touched(touched(Bench(A, LOOK, B).lift()), "12.00")
    assert bench.verdicts == [("a", "pass")]
    assert bench.touches == [("a", "matched"), (None, "not-expected")]
    assert touched(bench.answer("confirm")).verdicts == [("a", "pass"), ("look", "pass"), ("b", "pass")]


def test_a_probe_left_on_while_looking_is_not_the_next_steps_touch() -> None:
    bench = Bench(A, LOOK, B).lift().hold("24.10", 6).answer("confirm").hold("24.10", 20)
    assert bench.verdicts == [("a", "pass"), ("look", "pass")]


def test_a_repeated_step_is_judged_again_and_the_job_goes_on_where_it_stood() -> None:
    bench = touched(Bench(A, B).lift(), "19.80").answer("repeat")
    assert bench.engine.step.id == "a"
    assert touched(touched(bench)).verdicts == [("a", "fail"), ("a", "pass"), ("b", "pass")]
    tally = bench.engine.tally(Instant(0, 0))
    assert (tally.complete, tally.passed, tally.failed) == (True, 2, 0)


def test_back_goes_one_step_back_at_a_time() -> None:
    bench = touched(touched(Bench(A, B, LOOK).lift())).answer("back").answer("back")
    assert bench.engine.step.id == "a"
    assert touched(bench).engine.step.id == "look"


def test_a_fail_that_stops_the_job_can_be_taken_up_again_after_the_repair() -> None:
    bench = touched(Bench({**A, "on_fail": "stop"}, B).lift(), "19.80")
    assert bench.engine.ended
    tally = bench.engine.tally(Instant(0, 0))
    assert (tally.complete, tally.failed, tally.not_judged) == (False, 1, ("b",))
    assert touched(touched(bench.answer("repeat").lift())).verdicts == [("a", "fail"), ("a", "pass"), ("b", "pass")]


def test_the_points_between_which_the_voltage_is_lost_are_named() -> None:
    bench = touched(Bench(A, B, reading_step("c", "22.0..29.0 V")).lift())
    bench.hold("0.00", 4).confirm_dead().hold("0.00", 4).confirm_dead()
    assert bench.engine.tally(Instant(0, 0)).lost_between == ("a:1", "b:1")
    assert "a:1" in bench.of(Verdict)[1].reason


def test_a_dead_source_is_lost_between_no_two_points() -> None:
    bench = Bench(A).lift().confirm_dead()
    assert bench.engine.tally(Instant(0, 0)).lost_between is None


# Breaks and order


def test_nothing_is_spliced_across_a_gap() -> None:
    assert Bench(A).lift().show("24.10 24.10").gap().show("24.10").verdicts == []
    assert Bench(A).lift().show("24.10 24.10").wait(4).show("24.10").verdicts == []


def test_a_gap_is_not_a_lift() -> None:
    bench = Bench(A, B).lift().hold("24.10", 4).gap().hold("24.10", 10)
    assert bench.verdicts == [("a", "pass")]
    assert bench.touches == [("a", "matched")]


def test_time_that_runs_backwards_is_refused_and_changes_nothing() -> None:
    bench = Bench(A).lift()
    with pytest.raises(ValueError, match="came after"):
        bench.engine.feed(Input(Answer.CONFIRM, Instant(0, 0)))
    assert touched(bench).verdicts == [("a", "pass")]


DISPLAYS = st.sampled_from(["24.10", "24.11", "24.09", "12.00", "-24.10", "0.00", "0.01", "OL", "-", "22.00", "21.99"])


@given(st.lists(st.one_of(DISPLAYS, st.sampled_from(list(Answer))), max_size=80))
def test_the_same_inputs_give_the_same_outcomes_and_no_touch_gives_two_verdicts(script: list[str]) -> None:
    one, other = Bench(A, AGREE, LOOK, ISOLATED, LOOP), Bench(A, AGREE, LOOK, ISOLATED, LOOP)
    for bench in (one, other):
        for item in script:
            if isinstance(item, Answer):
                bench.answer(item.value)
            else:
                bench.show([item])
    assert one.outcomes == other.outcomes
    judged = [verdict for verdict in one.of(Verdict) if verdict.measured and not verdict.confirmed]
    for before, after in pairwise(judged):
        assert any(before.at < touch.end < after.at for touch in one.of(Touch))


def test_an_ended_engine_takes_no_more() -> None:
    engine = Engine(procedure(LOOK))
    engine.start(Instant(0, 0))
    engine.feed(Input(Answer.CONFIRM, Instant(1, 1)))
    assert engine.ended
    assert engine.feed(Input(Answer.REPEAT, Instant(2, 2))) == []
    assert engine.feed(Gap(Instant(3, 3), Break.LINK_LOST)) == []
