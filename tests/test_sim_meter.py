"""The simulated front end: counts, ranges, averaging, flicker, stray voltage."""

import random
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterlink.reading import Flag, Function, Instant, Reading, State
from meterlink_sim.meter import Meter, Stretch

INTERVAL = 1 / 3
NOW = Instant(0, 0)


def meter(seed: int = 1, function: Function = Function.DC_VOLTAGE, noise: float = 0.0) -> Meter:
    made = Meter(random.Random(seed), noise)
    made.turn_to(function)
    return made


def hold_on(subject: Meter, signal: float | None, updates: int = 12) -> list[Reading]:
    return [subject.update([Stretch(INTERVAL, signal)], NOW) for _ in range(updates)]


def number(reading: Reading) -> Decimal:
    assert reading.value is not None
    return reading.value


@given(volts=st.floats(0.001, 595), seed=st.integers(0, 1000))
def test_a_6000_count_display_rests_on_the_finest_range_or_the_one_above(volts: float, seed: int) -> None:
    reading = hold_on(meter(seed), volts)[-1]
    assert reading.counts is not None
    assert 0 <= reading.counts <= 5999
    assert reading.counts >= 540 or reading.exponent == -4
    assert abs(float(number(reading)) - volts) <= 0.002 * volts + float(reading.resolution)


def test_24_volts_stand_on_the_60_volt_range_with_four_digits() -> None:
    """A 6000-count display shows 24 V with steps of 0.01 V (arithmetic: 24 / 5999)."""
    reading = hold_on(meter(), 24.0)[-1]
    assert (reading.exponent, reading.scale, len(reading.display)) == (-2, 0, 5)
    assert reading.flags == {Flag.AUTO_RANGE}


@pytest.mark.parametrize("seed", range(20))
def test_autorange_climbs_one_range_an_update(seed: int) -> None:
    subject = meter(seed)
    hold_on(subject, 0.0)
    shown = hold_on(subject, 24.0)
    assert [(reading.display, reading.scale) for reading in shown[:2]] == [("OL", -3), ("OL", 0)]
    assert {reading.exponent for reading in shown[2:] if reading.state is State.VALUE} == {-2}
    assert all(abs(number(reading) - 24) < Decimal("0.1") for reading in shown[4:])


def test_a_new_range_blanks_or_shows_a_wrong_value_now_and_then() -> None:
    firsts = []
    for seed in range(60):
        subject = meter(seed)
        hold_on(subject, 0.0)
        firsts.append(hold_on(subject, 24.0)[2])
    assert any(reading.state is State.BLANK for reading in firsts)
    assert any(reading.state is State.VALUE and number(reading) < 23 for reading in firsts)
    assert any(reading.state is State.VALUE and number(reading) > 23 for reading in firsts)


def test_the_ranges_overlap_so_that_a_value_stays_where_it_came_from() -> None:
    from_below, from_above = meter(), meter()
    hold_on(from_above, 24.0)
    assert hold_on(from_below, 5.7)[-1].exponent == -3
    assert hold_on(from_above, 5.7)[-1].exponent == -2


@pytest.mark.parametrize("seed", range(5))
def test_a_contact_in_the_middle_of_an_interval_shows_a_part(seed: int) -> None:
    """The average of a step passed through one time constant: half the value less tau / interval (closed form)."""
    subject = meter(seed)
    hold_on(subject, 24.0)
    subject.update([Stretch(INTERVAL, 8.0)], NOW)
    hold_on(subject, 8.0, 1)
    part = number(subject.update([Stretch(INTERVAL / 2, 8.0), Stretch(INTERVAL / 2, 24.0)], NOW))
    whole = number(hold_on(subject, 24.0, 2)[-1])
    tau = (0.5 - (float(part) - 8) / 16) * INTERVAL
    assert 0.007 < tau < 0.043
    assert whole == pytest.approx(Decimal(24), abs=Decimal("0.06"))


def test_a_bounce_dips() -> None:
    subject = meter()
    steady = number(hold_on(subject, 24.0)[-1])
    bounced = [Stretch(0.1, 24.0), Stretch(0.02, 0.0), Stretch(INTERVAL - 0.12, 24.0)]
    dipped = number(subject.update(bounced, NOW))
    assert dipped == pytest.approx(steady * Decimal(str(1 - 0.02 / INTERVAL)), rel=Decimal("0.01"))


def test_flicker_is_a_count_or_so() -> None:
    subject = meter(noise=1.0)
    shown = {reading.counts for reading in hold_on(subject, 24.004, 300)[6:]}
    assert 1 < len(shown) <= 4
    assert len({reading.counts for reading in hold_on(meter(noise=0.0), 24.004, 300)[6:]}) == 1


def test_open_leads_read_overload_in_ohms_and_wander_in_volts() -> None:
    assert {reading.display for reading in hold_on(meter(function=Function.RESISTANCE), None)[1:]} == {"OL"}
    stray = [reading.value for seed in range(30) for reading in hold_on(meter(seed), None) if reading.value is not None]
    assert len(set(stray)) > 100
    assert sum(abs(value) < 1 for value in stray) > 0.95 * len(stray)


def test_low_ohms_include_the_leads() -> None:
    """A pair of leads has 0.2 to 0.5 Ohm (makers' notes)."""
    reading = hold_on(meter(function=Function.RESISTANCE), 0.4)[-1]
    assert reading.resolution == Decimal("0.1")
    assert Decimal("0.5") <= number(reading) <= Decimal("0.9")


def test_hold_freezes_the_display_and_says_so() -> None:
    subject = meter()
    frozen = hold_on(subject, 24.0)[-1]
    subject.press_hold()
    held = hold_on(subject, 0.0)[-1]
    assert held.display == frozen.display
    assert Flag.HOLD in held.flags
    subject.press_hold()
    assert number(hold_on(subject, 0.0)[-1]) == 0


def test_the_final_value_is_known_only_once_it_is_shown() -> None:
    subject = meter(seed=3)
    hold_on(subject, None)
    final = hold_on_and_ask(subject, 24.0)
    assert final[:2] == [False, False]
    assert all(final[5:])
    assert not subject.shows(None)


def hold_on_and_ask(subject: Meter, signal: float) -> list[bool]:
    answers = []
    for _ in range(10):
        subject.update([Stretch(INTERVAL, signal)], NOW)
        answers.append(subject.shows(signal))
    return answers
