"""The meter's own pace: silence, and readings that had piled up. Rates: 2 to 10 updates a second (common practice)."""

from itertools import count, cycle

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from meterlink.pace import Pace
from meterlink.reading import NS_PER_S, Instant


def at(seconds: float, slept: float = 0.0) -> Instant:
    """Return a moment; `slept` is by how much the wall clock is ahead because the computer slept."""
    return Instant(round(seconds * NS_PER_S), round((seconds + slept) * NS_PER_S))


def fresh(pace: Pace, *times: float) -> list[bool]:
    return [pace.take(at(time)) for time in times]


@given(rate=st.floats(0.5, 10), count=st.integers(2, 50))
def test_a_meter_at_its_own_pace_is_always_fresh_and_its_rate_is_known(rate: float, count: int) -> None:
    pace = Pace()
    assert all(fresh(pace, *(number / rate for number in range(count))))
    assert pace.interval_ns == pytest.approx(NS_PER_S / rate, rel=1e-6)
    assert not pace.silent(at((count - 1) / rate + 2.4 / rate))


def test_a_block_sent_twice_counts_once_for_the_rate() -> None:
    pace = Pace()
    assert all(fresh(pace, 0, 0.046, 0.5, 0.546, 1, 1.046, 1.5))  # 11 characters at 2400 baud last 46 ms
    assert pace.interval_ns == NS_PER_S // 2


@pytest.mark.parametrize(("rate", "after"), [(10, 2.0), (3, 2.0), (1, 3.5)])
def test_silence_is_three_missed_updates_and_2_s_at_least(rate: float, after: float) -> None:
    pace = Pace()
    fresh(pace, *(number / rate for number in range(10)))
    last = 9 / rate
    assert not pace.silent(at(last + after - 0.01))
    assert pace.silent(at(last + after + 0.01))


def test_a_meter_that_was_never_heard_is_not_called_silent() -> None:
    assert not Pace().silent(at(100))


def test_what_piled_up_in_a_pause_is_old_until_readings_come_at_the_meter_s_pace() -> None:
    pace = Pace()
    assert all(fresh(pace, 0, 0.5, 1, 1.5))
    assert fresh(pace, 8, 8, 8, 8.001, 8.02) == [False] * 5
    assert fresh(pace, 8.5, 9) == [True, True]


def test_what_comes_first_over_a_new_link_is_old() -> None:
    pace = Pace()
    fresh(pace, 0, 0.5, 1)
    pace.broke()
    assert not pace.silent(at(100))  # nothing was heard over this link yet
    assert fresh(pace, 1.6, 2.1) == [False, True]


def test_a_link_that_broke_before_anything_came_may_have_piled_up_too() -> None:
    pace = Pace()
    pace.broke()
    assert fresh(pace, 1, 1, 1.01, 1.5) == [False, False, False, True]


def test_a_computer_that_slept_is_told_by_the_wall_clock() -> None:
    pace = Pace()
    assert all(fresh(pace, 0, 0.5, 1))
    assert not pace.take(at(1.1, slept=3600))
    assert pace.take(at(1.6, slept=3600))


def test_a_meter_slower_than_any_silence_is_heard_once_its_pace_is_known() -> None:
    assert fresh(Pace(), 0, 5, 10, 15, 20) == [True, False, True, True, True]


def test_a_meter_that_updates_quicker_on_another_dial_is_followed() -> None:
    pace = Pace()
    assert all(fresh(pace, *range(10)))  # once a second, as capacitance
    assert all(fresh(pace, *(9 + number / 4 for number in range(1, 10))))  # four times, as volts
    assert pace.interval_ns == NS_PER_S // 4
    assert fresh(pace, 20, 20, 20.25, 20.5) == [False, False, True, True]


def test_a_computer_too_busy_to_take_readings_as_they_come_learns_the_pace_again() -> None:
    pace = Pace()
    bursts = [2.0 * burst for burst in range(10) for _ in range(6)]  # three readings a second, taken every 2 s
    fresh(pace, *bursts, 60)
    assert pace.interval_ns == 2 * NS_PER_S
    later = fresh(pace, *(60 + number / 3 for number in range(1, 180)))
    assert 42 <= (later.index(True) + 1) / 3 < 43  # the pause lasted 42 s: after as long again all must be through
    assert all(later[later.index(True) :])
    assert pace.interval_ns == pytest.approx(NS_PER_S / 3)


@given(
    past=st.lists(st.floats(0, 40), max_size=40),
    breaks=st.sets(st.integers(0, 39)),
    rate=st.floats(0.5, 10),
    jitter=st.lists(st.floats(-0.45, 0.45), min_size=1, max_size=5),
)
def test_whatever_came_before_a_steady_meter_is_fresh_in_the_end(
    past: list[float], breaks: set[int], rate: float, jitter: list[float]
) -> None:
    pace, now = Pace(), 0.0
    for number, apart in enumerate(past):
        now += apart
        pace.take(at(now))
        if number in breaks:
            pace.broke()
    late = cycle(jitter)
    steady = fresh(pace, *(now + (number + next(late)) / rate for number in range(1, round(250 * rate) + 20)))
    assert all(steady[-10:])


@given(
    rate=st.floats(1, 10),
    pause=st.floats(3.6, 30),
    gap=st.floats(0, 0.49),
    lost=st.booleans(),
    hiccups=st.dictionaries(st.integers(1, 100), st.floats(2, 9), max_size=3),
)
def test_a_backlog_handed_over_at_twice_the_pace_or_more_judges_nothing(
    rate: float, pause: float, gap: float, *, lost: bool, hiccups: dict[int, float]
) -> None:
    """The readings of a pause come `gap` intervals apart, with those that are measured meanwhile behind them.

    Behind some of them it is handed over no further for as long as counts as a silence.
    """
    assume(all(each > max(2, 3.5 / rate) for each in hiccups.values()))
    pace, interval = Pace(), 1 / rate
    assert all(fresh(pace, *(number * interval for number in range(20))))
    begun = 19 * interval
    if lost:
        pace.broke()
    now, measured = begun + pause, begun + interval
    for number in count(1):
        if now - measured < interval:
            break
        assert not pace.take(at(now)), (now, measured)
        now, measured = now + max(gap * interval, hiccups.get(number, 0)), measured + interval
