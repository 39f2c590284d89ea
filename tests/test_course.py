"""The way through a procedure: dead proofs, jumpers, questions, groups, jumps, and what a new visit proves again."""

from collections.abc import Mapping

import pytest

from bench import Bench, reading_step
from meterlink.outcome import Break, Change, Cue, Register, Reopened, Verdict

DEAD = {
    "id": "off",
    "kind": "dead",
    "point": "X1:1",
    "reference": "PE",
    "measure": "dc-voltage",
    "limits": "-0.5..0.5 V",
    "known": {"point": "G1:+", "limits": "22..29 V"},
}
FIT = {"id": "fit", "kind": "bridge", "jumper": "temporary", "point": "X3:5-X3:6", "why": "Levelling run"}
OUT = {"id": "out", "kind": "bridge", "jumper": "removed", "point": "X3:5-X3:6"}
FACTORY = {"id": "factory", "kind": "bridge", "jumper": "factory", "point": "X3:1-X3:2"}
SEEN = {"id": "seen", "kind": "look", "point": "Q1", "ask": "Is it in?"}
A, B, C = (reading_step(name, "22..29 V") for name in "abc")
ASK = {"id": "door", "kind": "ask", "point": "B3", "ask": "Is there a lower door?"}
HOURS = 3600
BREAKS = (Break.LINK_LOST, Break.SILENT, Break.RESUMED)


def look(step_id: str, **more: object) -> dict[str, object]:
    return {**SEEN, "id": step_id, **more}


def ended(bench: Bench) -> bool:
    return bench.engine.ended


def last(bench: Bench) -> Verdict:
    return bench.of(Verdict)[-1]


def touched(bench: Bench, display: str) -> Bench:
    return bench.hold(display, 6).lift()


def said(bench: Bench, code: str) -> list[str]:
    return [cue.text for cue in bench.of(Cue) if cue.code == code]


def answers(bench: Bench, words: str) -> Bench:
    """Give these answers, one a second."""
    for word in words.split():
        bench.wait(1).answer({"yes": "confirm", "no": "refuse"}.get(word, word))
    return bench


# dead


def proved_once(*more: Mapping[str, object]) -> Bench:
    """The known source live, then the point dead."""
    bench = touched(Bench(DEAD, SEEN, *more).lift(), "24.1")
    return bench.confirm_dead()


def test_live_dead_live_proves_a_point_dead() -> None:
    bench = proved_once()
    assert bench.verdicts == []
    assert bench.cues[-2:] == ["proved-dead", "probe"]
    touched(bench.lift(), "24.0")
    assert bench.verdicts == [("off", "pass")]
    assert last(bench).reason == "Known source G1:+: 24.1 V before, 24.0 V after."
    assert (last(bench).confirmed, str(last(bench).measured)) == (True, "0.01 V")
    assert [text.partition(":")[0] for text in said(bench, "probe")] == [
        "Known source first",
        "Now the point that is to be dead",
        "Known source once more",
    ]
    assert bench.touches == [("off", "matched")] * 3


def test_a_point_that_is_live_fails_at_once() -> None:
    bench = touched(touched(Bench(DEAD, SEEN).lift(), "24.1"), "23.8")
    assert bench.verdicts == [("off", "fail")]
    assert str(last(bench).measured) == "23.8 V"


def test_a_known_source_that_is_not_live_proves_nothing_and_is_asked_for_again() -> None:
    bench = touched(Bench(DEAD, SEEN).lift(), "12.0")
    assert bench.verdicts == []
    assert "not-live" in bench.cues
    assert bench.engine.step.point == "G1:+"
    touched(touched(bench, "24.1").confirm_dead().lift(), "24.1")
    assert bench.verdicts == [("off", "pass")]


def test_what_is_not_proved_dead_stops_the_job_unless_told_otherwise() -> None:
    bench = answers(Bench(DEAD, SEEN).lift(), "no")
    assert ended(bench)
    assert answers(bench, "repeat").engine.step.point == "G1:+"
    bench = answers(Bench({**DEAD, "on_fail": "continue"}, SEEN).lift(), "no")
    assert bench.engine.step.id == "seen"


def test_a_known_source_that_cannot_be_had_leaves_it_unclear() -> None:
    bench = Bench(DEAD, SEEN).lift().answer("refuse")
    assert bench.verdicts == [("off", "unclear")]
    assert last(bench).measured is None


def test_a_second_proof_that_is_refused_leaves_it_unclear_with_a_warning() -> None:
    bench = answers(proved_once(), "no")
    assert bench.verdicts == [("off", "unclear")]
    assert "not-reproved" in bench.cues
    assert last(bench).reason == "The known source G1:+ was not re-proved: it was refused."


def test_a_known_source_that_died_meanwhile_leaves_it_unclear_with_a_warning() -> None:
    bench = touched(proved_once().lift(), "15.0")
    assert bench.verdicts == [("off", "unclear")]
    assert "not-reproved" in bench.cues
    bench = answers(proved_once().hold("24.0", 1).hold("0.00", 6), "yes").hold("0.00", 2)
    assert bench.verdicts == [("off", "unclear")]


def test_the_known_source_needs_a_touch_of_its_own_the_second_time() -> None:
    bench = touched(Bench(DEAD, SEEN).lift(), "24.1").confirm_dead().hold("24.1", 1)
    assert bench.verdicts == []  # one update is no touch


@pytest.mark.parametrize("reason", BREAKS)
def test_a_break_in_between_begins_the_proof_anew(reason: Break) -> None:
    bench = proved_once().gap(reason)
    assert "started-over" in bench.cues
    assert bench.engine.step.point == "G1:+"
    touched(bench.lift(), "24.1")
    assert bench.verdicts == []


def test_repeat_in_between_begins_the_proof_anew_and_back_leaves_it() -> None:
    bench = answers(proved_once(), "repeat")
    assert bench.engine.step.point == "G1:+"
    bench = touched(answers(Bench(SEEN, DEAD), "yes").lift(), "24.1")
    assert answers(bench, "back").engine.step.id == "seen"
    assert answers(bench, "yes").engine.step.point == "G1:+"  # what was proved of it before counts no more


def test_hold_and_the_wrong_dial_prove_nothing() -> None:
    bench = Bench(DEAD, SEEN).lift().show(["24.1"] * 6, flags=["hold"])
    assert bench.cues[-1] == "hold"
    bench.lift().hold("24.1", 6, "ac-voltage")
    assert bench.cues[-1] == "wrong-function"
    assert bench.engine.step.point == "G1:+"


# bridge


def test_a_factory_jumper_is_looked_at_and_enters_no_register() -> None:
    bench = answers(Bench(FACTORY), "yes")
    assert bench.verdicts == [("factory", "pass")]
    assert bench.of(Register) == []
    assert answers(Bench(FACTORY), "no").verdicts == [("factory", "fail")]
    assert said(bench, "look") == ["X3:1-X3:2: Is this jumper in place, as drawn?"]


def test_a_temporary_jumper_is_entered_when_fitted_and_closed_out_when_removed() -> None:
    bench = answers(Bench(FIT, OUT), "yes yes")
    assert [(each.fitted, each.where, each.why, each.step) for each in bench.of(Register)] == [
        (True, "X3:5-X3:6", "Levelling run", "fit"),
        (False, "X3:5-X3:6", "", "out"),
    ]
    assert bench.engine.tally(bench.at()).complete


def test_one_that_was_not_fitted_is_not_in_the_register() -> None:
    bench = answers(Bench(FIT, SEEN), "no yes")
    assert bench.verdicts[0] == ("fit", "fail")
    assert (bench.engine.jumpers.open, bench.engine.tally(bench.at()).complete) == ((), True)


def test_a_jumper_still_in_is_asked_for_at_the_end_and_can_be_closed_out() -> None:
    bench = answers(Bench(FIT, SEEN), "yes yes")
    assert not ended(bench)
    assert bench.engine.step.id == "jumper-out-1"
    assert said(bench, "jumper-open") == ["X3:5-X3:6: Is this jumper taken out?"]
    answers(bench, "yes")
    assert ended(bench)
    assert bench.engine.tally(bench.at()).complete


def test_a_job_does_not_end_complete_while_a_jumper_is_in_and_can_be_gone_on_with() -> None:
    bench = answers(Bench(FIT, SEEN), "yes yes no")
    end = bench.engine.tally(bench.at())
    assert ended(bench)
    assert (end.complete, end.not_judged, end.jumpers_open) == (False, (), ("X3:5-X3:6",))
    answers(bench, "repeat")
    assert bench.engine.step.id == "jumper-out-2"
    assert answers(bench, "yes").engine.tally(bench.at()).complete


def test_the_technician_enters_jumpers_of_their_own_at_any_time() -> None:
    bench = Bench(A, SEEN).lift().jumper("X9:1-X9:2", fitted=True)
    assert bench.cues[-1] == "jumper-fitted"
    assert bench.jumper("x9:1-x9:2", fitted=True).cues[-1] == "jumper-unknown"
    assert bench.jumper("X8", fitted=False).cues[-1] == "jumper-unknown"
    answers(touched(bench, "24.1"), "yes")
    assert bench.engine.step.point == "X9:1-X9:2"
    bench.jumper("X9:1-X9:2", fitted=False)
    assert ended(bench)
    assert bench.engine.tally(bench.at()).complete


def test_a_jumper_entered_after_the_end_takes_the_word_complete_back() -> None:
    bench = answers(Bench(SEEN), "yes").jumper("X9", fitted=True)
    assert not bench.engine.tally(bench.at()).complete
    assert bench.outcomes[-1] == bench.engine.tally(bench.at())


def test_a_job_that_a_fail_stops_names_the_jumpers_that_are_in() -> None:
    bench = answers(Bench(FIT, look("seen", on_fail="stop"), OUT), "yes no")
    assert ended(bench)
    assert bench.engine.tally(bench.at()).jumpers_open == ("X3:5-X3:6",)


# questions and conditions


def test_an_answer_is_no_verdict_and_decides_what_follows() -> None:
    steps = (ASK, look("lock", **{"if": "door"}), look("wall", **{"if": "not door"}), SEEN)
    bench = answers(Bench(*steps), "yes yes yes")
    assert bench.verdicts == [("wall", "not-applicable"), ("lock", "pass"), ("seen", "pass")]
    bench = answers(Bench(*steps), "no yes yes")
    assert bench.verdicts == [("lock", "not-applicable"), ("wall", "pass"), ("seen", "pass")]
    end = bench.engine.tally(bench.at())
    assert (end.complete, end.passed, end.not_applicable) == (True, 2, 1)
    assert last(bench).reason == "Seen and confirmed."
    assert said(bench, "ask") == ["B3: Is there a lower door?"]


def test_an_unanswered_question_leaves_the_job_open() -> None:
    bench = Bench(ASK, SEEN)
    assert bench.engine.tally(bench.at()).not_judged == ("door", "seen")


def test_a_question_that_does_not_apply_takes_what_depends_on_it_along() -> None:
    inner = {**ASK, "id": "glazed", "if": "door"}
    steps = (ASK, inner, look("glass", **{"if": "not glazed"}), SEEN)
    bench = answers(Bench(*steps), "no yes")
    assert bench.verdicts == [("glazed", "not-applicable"), ("glass", "not-applicable"), ("seen", "pass")]
    assert bench.engine.tally(bench.at()).complete


def test_an_answer_that_is_changed_opens_what_applies_again() -> None:
    steps = (ASK, look("lock", **{"if": "door"}), look("wall", **{"if": "not door"}), SEEN)
    bench = answers(Bench(*steps), "no back yes")
    assert [each.steps for each in bench.of(Reopened)] == [("lock",)]
    assert bench.engine.step.id == "lock"
    answers(bench, "yes yes")
    assert bench.engine.tally(bench.at()).complete
    assert {step: verdict.outcome.value for step, verdict in bench.engine.verdicts.items()} == {
        "lock": "pass",
        "wall": "not-applicable",
        "seen": "pass",
    }


def test_back_goes_over_what_does_not_apply() -> None:
    bench = answers(Bench(ASK, look("lock", **{"if": "door"}), SEEN), "no back")
    assert bench.engine.step.id == "door"


# jumps


def test_a_fail_leads_on_and_what_lies_between_does_not_apply() -> None:
    bench = answers(Bench(look("x", on_fail="go-to z"), look("y"), look("z")), "no yes")
    assert bench.verdicts == [("x", "fail"), ("y", "not-applicable"), ("z", "pass")]
    assert "go-to" in bench.cues
    assert bench.engine.tally(bench.at()).complete


def test_a_pass_goes_straight_on() -> None:
    bench = answers(Bench(look("x", on_fail="go-to z"), look("y"), look("z")), "yes yes yes")
    assert bench.verdicts == [("x", "pass"), ("y", "pass"), ("z", "pass")]


def test_a_step_that_passes_in_the_end_opens_what_it_had_led_past() -> None:
    bench = answers(Bench(look("x", on_fail="go-to z"), look("y"), look("z")), "no repeat yes")
    assert [each.steps for each in bench.of(Reopened)] == [("y",)]
    assert bench.engine.step.id == "y"


def test_leading_back_ends_after_three_rounds() -> None:
    bench = Bench(look("adjust"), look("check", on_fail="go-to adjust"), SEEN)
    answers(bench, "yes no " * 4)
    assert ended(bench)
    assert bench.cues.count("no-more-rounds") == 1
    assert [each.steps for each in bench.of(Reopened)] == [("adjust", "check")] * 3
    assert not bench.engine.tally(bench.at()).complete


# groups


GROUP = """\
- group: Supplies
  any_order: yes
  steps:
    - {id: v24, kind: reading, point: "G1:+", reference: earth bar, measure: dc-voltage, limits: 22..29 V}
    - {id: v12, kind: reading, point: "G1:m", reference: earth bar, measure: dc-voltage, limits: 11..14 V}
    - {id: v5, kind: reading, point: "A1:5", reference: earth bar, measure: dc-voltage, limits: 4.5..5.5 V}
- {id: seen, kind: look, point: Q1, ask: "Is it in?"}
"""


def test_in_any_order_a_touch_goes_to_the_step_that_it_fits() -> None:
    bench = Bench(written=GROUP).lift()
    touched(touched(touched(bench, "12.5"), "5.01"), "24.1")
    assert bench.verdicts == [("v12", "pass"), ("v5", "pass"), ("v24", "pass")]
    assert bench.touches == [("v12", "matched"), ("v5", "matched"), ("v24", "matched")]
    assert said(bench, "probe")[0] == ("Supplies. Touch G1:+, G1:m or A1:5. Black lead on earth bar. Dial on DC volts.")
    assert said(bench, "probe")[1:] == ["Touch G1:+ or A1:5.", "Touch G1:+."]


def test_a_value_that_fits_none_has_them_asked_for_one_by_one() -> None:
    bench = touched(Bench(written=GROUP).lift(), "18.0")
    assert bench.verdicts == []
    assert "fits-none" in bench.cues
    assert touched(bench, "18.0").verdicts == [("v24", "fail")]
    assert touched(touched(bench, "5.01"), "12.5").verdicts[1:] == [("v5", "pass"), ("v12", "pass")]


def test_the_title_of_a_group_is_said_with_its_first_step_in_each_round() -> None:
    steps = """\
- group: Landing {landing}
  for: {landing: [lower, upper]}
  steps:
    - {id: "sign-{landing}", kind: look, point: "P-{landing}", ask: "Is the sign there?"}
    - {id: "lamp-{landing}", kind: look, point: "L-{landing}", ask: "Does the lamp light?"}
"""
    bench = answers(Bench(written=steps), "yes yes yes yes")
    assert said(bench, "look") == [
        "Landing lower. P-lower: Is the sign there?",
        "L-lower: Does the lamp light?",
        "Landing upper. P-upper: Is the sign there?",
        "L-upper: Does the lamp light?",
    ]


# a new visit


def test_after_four_hours_what_is_dead_is_proved_again_first() -> None:
    bench = touched(proved_once(FIT, look("z")).lift(), "24.0")
    answers(bench, "yes yes").wait(5 * HOURS).gap(Break.RESUMED)
    assert [each.steps for each in bench.of(Reopened)] == [("off",)]
    assert said(bench, "new-visit") == ["A new visit. Prove again: X1:1. Jumpers still in: X3:5-X3:6."]
    assert bench.engine.step.point == "G1:+"
    assert "off" in bench.engine.tally(bench.at()).not_judged


def test_a_short_pause_proves_nothing_again() -> None:
    bench = touched(proved_once().lift(), "24.0").wait(3 * HOURS).gap(Break.RESUMED)
    assert bench.of(Reopened) == []
    assert bench.engine.step.id == "seen"


def test_a_step_may_hold_for_one_visit_only_and_others_stay() -> None:
    bench = answers(Bench(look("x", holds="visit"), look("y"), look("z")), "yes yes").wait(5 * HOURS)
    bench.gap(Break.RESUMED)
    assert [each.steps for each in bench.of(Reopened)] == [("x",)]
    assert answers(bench, "yes").engine.step.id == "z"


def test_a_stopped_job_that_is_taken_up_the_next_day_proves_dead_again_too() -> None:
    bench = touched(Bench(DEAD, look("x", on_fail="stop"), look("z")).lift(), "24.1").confirm_dead()
    answers(touched(bench.lift(), "24.0"), "no").wait(5 * HOURS)
    answers(bench, "repeat")
    assert bench.engine.step.point == "G1:+"


def test_nothing_changes_for_procedures_of_readings_and_looks() -> None:
    bench = answers(Bench(look("x"), look("y")), "yes").wait(50 * HOURS).gap(Break.RESUMED)
    assert bench.of(Reopened) == []
    assert bench.of(Change) == []
    assert "new-visit" not in bench.cues
