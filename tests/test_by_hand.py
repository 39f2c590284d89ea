"""A yes given with the meter's HOLD key, or with the tips together twice, as the engine takes it."""

from collections.abc import Mapping

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench import Bench, reading_step
from meterlink.gestures import Way
from meterlink.outcome import Cue, Verdict, VerdictOutcome

LOOK = {"id": "look", "kind": "look", "point": "Q1", "ask": "Is the breaker pushed in?"}
FIRST = {**LOOK, "id": "first"}
DEAD = reading_step("dead", "-0.5..0.5 V")
LIVE = reading_step("live", "22..29 V")
WATCH = {
    "id": "watch",
    "kind": "watch",
    "point": "K1:A1",
    "reference": "PE",
    "measure": "dc-voltage",
    "limits": "20..29 V",
    "least": "5 s",
}
BOTH = frozenset(Way)


class Hands(Bench):
    """A bench whose technician presses HOLD, or brings the tips together."""

    def held(self, display: str, updates: int = 2, function: str = "dc-voltage") -> "Hands":
        self.show([display] * updates, function, flags=["hold"])
        return self

    def shorted(self, updates: int = 2) -> "Hands":
        self.hold("0.3", updates, "resistance").hold("OL", updates, "resistance")
        return self


def on(*steps: Mapping[str, object], ways: frozenset[Way] = BOTH, interval_s: float = 0.4) -> Hands:
    return Hands(*steps, ways=ways, interval_s=interval_s)


def test_hold_on_and_off_answers_a_look_and_says_before_what_it_will_confirm() -> None:
    bench = on(LOOK, LIVE).lift()
    bench.held("0.01")
    assert bench.verdicts == []
    said = bench.of(Cue)[-1]
    assert said.code == "hold-seen"
    assert said.text == "Q1: HOLD seen. Switch it off to confirm: Is the breaker pushed in?"
    bench.lift(2)
    assert bench.verdicts == [("look", "pass")]
    assert "by-hand" in bench.cues


def test_two_shorts_answer_a_look_in_ohms() -> None:
    bench = on(LOOK, LIVE).hold("OL", 3, "resistance")
    bench.shorted()
    assert bench.cues[-1] == "short-seen"
    assert bench.verdicts == []
    bench.shorted()
    assert bench.verdicts == [("look", "pass")]


def test_switched_off_they_answer_nothing() -> None:
    bench = on(LOOK, LIVE, ways=frozenset()).hold("OL", 3, "resistance")
    bench.shorted().shorted().held("OL", 2, "resistance").hold("OL", 3, "resistance")
    assert bench.verdicts == []
    assert "hold" in bench.cues


def test_hold_that_stays_on_is_told_and_confirms_nothing() -> None:
    bench = on(LOOK, LIVE).lift()
    bench.held("0.01", 20).lift()
    assert bench.cues.count("hold-seen") == 1
    assert "hold" in bench.cues
    assert bench.verdicts == []


def test_hold_confirms_a_dead_point_once_the_live_display_shows_it_again() -> None:
    bench = on(FIRST, DEAD).answer("confirm").hold("0.01", 20)
    bench.held("0.01")
    assert "dead:1: HOLD seen. Switch it off to confirm: dead:1 reads 0.01 V" in bench.of(Cue)[-1].text
    bench.hold("0.01", 1)
    assert bench.verdicts == [("first", "pass")]
    bench.hold("0.01", 10)
    assert bench.verdicts == [("first", "pass"), ("dead", "pass")]


def test_hold_confirms_no_dead_point_that_is_live_afterwards() -> None:
    bench = on(FIRST, DEAD).answer("confirm").hold("0.01", 20)
    bench.held("0.01").hold("24.1", 12)
    assert ("dead", "pass") not in bench.verdicts
    assert bench.verdicts[-1] == ("dead", "fail")


def test_hold_on_a_live_touch_confirms_nothing() -> None:
    bench = on(FIRST, LIVE).answer("confirm").lift().hold("24.1", 1)
    bench.held("24.1").hold("0.01", 12)
    assert "hold-seen" not in bench.cues
    assert bench.verdicts == [("first", "pass")]


def test_hold_too_soon_after_the_step_was_asked_for_is_meant_for_the_one_before() -> None:
    bench = on(FIRST, LOOK, interval_s=0.2).lift().answer("confirm")
    bench.show(["0.01"], flags=["hold"]).show(["0.01"])
    assert bench.verdicts == [("first", "pass")]


def test_hold_begins_and_ends_watching_and_the_time_ends_as_the_key_is_pressed() -> None:
    bench = on(WATCH, LOOK).lift().hold("24.1", 6)
    assert bench.cues[-1] == "watch-ready"
    bench.held("24.1").hold("24.1", 2)
    assert bench.cues[-1] == "watching"
    bench.hold("24.1", 20)
    pressed = bench.now_ns + bench.interval_ns
    bench.held("24.1", 4).hold("24.1", 1)
    (verdict,) = bench.of(Verdict)
    assert verdict.outcome is VerdictOutcome.PASS
    assert verdict.at.monotonic_ns == pressed


def test_hold_left_on_while_watching_begins_it_anew() -> None:
    bench = on(WATCH, LOOK).lift().hold("24.1", 6).answer("confirm").hold("24.1", 5)
    bench.held("24.1", 20)
    assert "started-over" in bench.cues
    assert bench.verdicts == []


@pytest.mark.parametrize("steps", [(LOOK, DEAD), (DEAD, LOOK), (LIVE, DEAD, LOOK)])
@given(shown=st.lists(st.sampled_from(["0.01", "0.3", "24.1", "OL"]), max_size=60))
def test_without_a_gesture_nothing_is_confirmed(steps: tuple[Mapping[str, object], ...], shown: list[str]) -> None:
    """Whatever volts the display shows: no look passes, no dead point does, without HOLD or a word."""
    bench = on(*steps)
    bench.show(shown)
    assert [step for step, outcome in bench.verdicts if outcome == "pass" and step != "live"] == []
