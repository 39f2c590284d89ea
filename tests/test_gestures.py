"""Answers without a keyboard. Times and thresholds are our own choices, stated beside the code."""

from collections.abc import Sequence
from dataclasses import dataclass

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterlink.gestures import Gesture, Gestures, Way
from meterlink.reading import Flag, Function, Instant, Reading

OPEN, TIPS, ELSEWHERE = "OL", "0.3", "47.0"


@dataclass
class Hand:
    """Feeds a display to the gestures, so many readings a second."""

    gestures: Gestures
    function: Function = Function.RESISTANCE
    per_s: float = 4.0
    now: float = 0.0

    def shows(
        self, display: str, seconds: float, *, hold: bool = False, awaited: bool = True
    ) -> list[tuple[Way, Gesture]]:
        """What comes of a display that stands for so long."""
        came = []
        for _ in range(max(1, round(seconds * self.per_s))):
            self.now += 1 / self.per_s
            at = Instant(round(self.now * 1e9), 0)
            flags = frozenset({Flag.HOLD}) if hold else frozenset()
            reading = Reading(display, self.function.unit, self.function, at, flags=flags)
            found = self.gestures.take(reading, lambda: frozenset(Way) if awaited else frozenset())
            if found is not None:
                came.append(found)
        return came


def made(pattern: Sequence[tuple[str, float]], ways: frozenset[Way] = frozenset(Way), **more: bool) -> list[Gesture]:
    """What a row of displays in ohms comes to."""
    hand = Hand(Gestures(ways))
    return [gesture for display, seconds in pattern for _, gesture in hand.shows(display, seconds, **more)]


TWICE = [(OPEN, 1.0), (TIPS, 0.5), (OPEN, 0.5), (TIPS, 0.5), (OPEN, 0.5)]


def test_two_shorts_confirm_and_the_first_one_says_so() -> None:
    assert made(TWICE) == [Gesture.BEGUN, Gesture.GIVEN]


@pytest.mark.parametrize(
    "pattern",
    [
        pytest.param(TWICE[:3], id="one short"),
        pytest.param([(OPEN, 1.0), (TIPS, 3.0), (OPEN, 0.5), (TIPS, 0.5), (OPEN, 0.5)], id="held together"),
        pytest.param([(OPEN, 1.0), (TIPS, 0.5), (OPEN, 5.0), (TIPS, 0.5), (OPEN, 0.5)], id="too far apart"),
        pytest.param([(OPEN, 1.0), (TIPS, 0.5), (ELSEWHERE, 0.5), (TIPS, 0.5), (ELSEWHERE, 0.5)], id="on something"),
        pytest.param([(TIPS, 0.5), (OPEN, 0.5), (TIPS, 0.5), (OPEN, 0.5)], id="together from the beginning"),
    ],
)
def test_nothing_less_confirms(pattern: list[tuple[str, float]]) -> None:
    assert Gesture.GIVEN not in made(pattern)


def test_a_gesture_counts_only_where_it_is_switched_on_and_waited_for() -> None:
    assert made(TWICE, frozenset({Way.HOLD})) == []
    assert made(TWICE, awaited=False) == []


def test_shorts_count_in_ohms_only() -> None:
    hand = Hand(Gestures(), Function.DC_VOLTAGE)
    assert [found for display, seconds in TWICE for found in hand.shows(display, seconds)] == []


def test_hold_on_and_off_confirms_in_volts_too() -> None:
    hand = Hand(Gestures(), Function.DC_VOLTAGE, per_s=2)
    assert hand.shows("0.01", 2) == []
    assert hand.shows("0.01", 1, hold=True) == [(Way.HOLD, Gesture.BEGUN)]
    assert hand.shows("0.01", 1) == [(Way.HOLD, Gesture.GIVEN)]
    assert hand.shows("0.01", 5) == []


def test_hold_that_stays_on_or_was_on_before_confirms_nothing() -> None:
    hand = Hand(Gestures())
    hand.shows(OPEN, 1)
    assert hand.shows(OPEN, 6, hold=True) == [(Way.HOLD, Gesture.BEGUN)]
    assert hand.shows(OPEN, 1) == []
    before = Hand(Gestures())
    before.shows(OPEN, 1, hold=True, awaited=False)
    assert before.shows(OPEN, 1, hold=True) == []
    assert before.shows(OPEN, 1) == []


def test_what_was_begun_for_one_question_confirms_no_other() -> None:
    hand = Hand(Gestures())
    hand.shows(OPEN, 1)
    hand.shows(OPEN, 1, hold=True)
    hand.gestures.clear()
    assert hand.shows(OPEN, 1) == []


@given(st.lists(st.tuples(st.sampled_from([OPEN, TIPS, ELSEWHERE]), st.booleans()), max_size=40))
def test_nothing_is_given_that_was_not_begun(shown: list[tuple[str, bool]]) -> None:
    hand = Hand(Gestures())
    came = [found for display, hold in shown for found in hand.shows(display, 0.25, hold=hold)]
    for before, (way, gesture) in zip([None, *came], came, strict=False):
        assert gesture is Gesture.BEGUN or before == (way, Gesture.BEGUN)
