"""What the auditor's page draws: thinned, and yet no dip and no peak is lost; broken where no reading was."""

import json
from array import array
from bisect import bisect_left

from hypothesis import given
from hypothesis import strategies as st

from meterlink.outcome import Json
from meterlink.thin import one_a_column, thinned
from meterlink.web.audit.traces import Traces

S = 1_000_000_000

gaps = st.lists(st.integers(0, 50), min_size=1, max_size=400)
shown = st.sampled_from([0.0, 0.01, 20.1, 24.1, 24.11, -3.0, 600.0])


@st.composite
def series(draw: st.DrawFn) -> tuple[list[int], "array[float]"]:
    times, at = [], 0
    for gap in draw(gaps):
        at += gap
        times.append(at)
    return times, array("d", draw(st.lists(shown, min_size=len(times), max_size=len(times))))


windows = st.tuples(st.integers(-100, 3000), st.integers(1, 5000), st.integers(1, 60))


@given(series(), windows)
def test_each_column_keeps_its_lowest_and_highest_and_its_ends(
    readings: tuple[list[int], "array[float]"], window: tuple[int, int, int]
) -> None:
    times, values = readings
    start, length, columns = window
    kept = thinned(times, values, start, start + length, columns)
    assert kept == sorted(set(kept))
    borders = [start + length * column // columns for column in range(columns)]
    inside = [index for index, at in enumerate(times) if start <= at <= start + length]
    for column, border in enumerate(borders):
        end = borders[column + 1] if column + 1 < columns else start + length + 1
        own = [index for index in inside if border <= times[index] < end]
        drawn = [index for index in own if index in kept]
        if own:
            assert {own[0], own[-1]} <= set(drawn)
            assert min(values[index] for index in drawn) == min(values[index] for index in own)
            assert max(values[index] for index in drawn) == max(values[index] for index in own)


@given(series(), windows)
def test_it_is_never_more_than_four_a_column_and_a_neighbour_on_each_side(
    readings: tuple[list[int], "array[float]"], window: tuple[int, int, int]
) -> None:
    times, values = readings
    start, length, columns = window
    kept = thinned(times, values, start, start + length, columns)
    inside = [index for index in kept if start <= times[index] <= start + length]
    assert len(inside) <= 4 * columns
    before, after = bisect_left(times, start), len([at for at in times if at <= start + length])
    assert [index for index in kept if index not in inside] == [
        *([before - 1] if before else []),
        *([after] if after < len(times) else []),
    ]


@given(st.lists(st.integers(0, 2000), max_size=200).map(sorted), windows)
def test_one_a_column_misses_no_column(times: list[int], window: tuple[int, int, int]) -> None:
    start, length, columns = window

    def column(at: int) -> int:
        return (at - start) * columns // length

    inside = [at for at in times if start <= at <= start + length]
    kept = one_a_column(times, start, start + length, columns)
    assert [column(at) for at in kept] == sorted({column(at) for at in inside})
    assert set(kept) <= set(inside)


def body(display: str, function: str = "dc-voltage", unit: str = "V", scale: int = 0) -> str:
    return json.dumps({"display": display, "function": function, "unit": unit, "scale": scale, "flags": []})


def taken(*bodies: str) -> Traces:
    traces = Traces()
    traces.take((number, number * S, each) for number, each in enumerate(bodies, 1))
    return traces


def drawn(traces: Traces, index: int = 0) -> Json:
    return traces.window(0, 100 * S, 1000)[index]


def test_a_line_is_broken_where_the_display_showed_no_number() -> None:
    trace = drawn(taken(body("24.1"), body("24.2"), body("OL"), body("24.3"), body(""), body("24.4"), body("24.5")))
    assert (trace["name"], trace["unit"]) == ("DC volts", "V")
    assert trace["y"] == [24.1, 24.2, None, 24.3, None, 24.4, 24.5]
    assert trace["x"] == [1, 2, None, 4, None, 6, 7]
    assert trace["alone"] == {"x": [4], "y": [24.3]}  # a line of one point would not be seen
    assert trace["over"] == [3]


def test_each_function_has_a_trace_of_its_own_broken_while_another_was_on() -> None:
    traces = taken(body("24.1"), body("1.2", "resistance", "Ohm", 3), body("24.2"))
    assert drawn(traces)["y"] == [24.1, None, 24.2]
    assert drawn(traces, 1)["y"] == [1200]
    assert traces.of("Ohm", 2 * S) == 1
    assert traces.of("A", 2 * S) is None


def test_a_lost_link_breaks_the_line() -> None:
    traces = taken(body("24.1"))
    traces.broken(int(1.5 * S))
    traces.take([(3, 2 * S, body("24.1"))])
    assert drawn(traces)["y"] == [24.1, None, 24.1]


def test_what_is_no_reading_any_more_is_counted_and_breaks_the_line() -> None:
    traces = taken(body("24.1"), "{", '{"display": "24.1"}', body("24.2"))
    assert (traces.unreadable, traces.count) == (2, 4)
    assert drawn(traces)["y"] == [24.1, None, 24.2]


@given(st.lists(st.sampled_from(["24.1", "0.02", "OL", ""]), max_size=60), st.integers(0, 60))
def test_read_in_two_goes_it_is_the_same(displays: list[str], cut: int) -> None:
    bodies = [body(display) for display in displays]
    whole, halves = taken(*bodies), Traces()
    numbered = [(number, number * S, each) for number, each in enumerate(bodies, 1)]
    halves.take(numbered[:cut])
    halves.take(numbered[cut:])
    assert whole.window(0, 70 * S, 30) == halves.window(0, 70 * S, 30)
