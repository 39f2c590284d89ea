"""The simulated circuit against Kirchhoff's current law and worked examples."""

import random
from itertools import pairwise
from math import inf

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterlink_sim.circuit import ELEMENTS, METER_OHMS, POINTS, Ladder, Lift, neighbours

FULL = (24.0, 24.0)
CHAIN_POINTS = [point for point in POINTS if point != "X7:1"]


@pytest.mark.parametrize(
    ("series", "load", "meter", "volts"),
    [
        # Arithmetic: 1 MOhm over 1 MOhm parallel to 10 MOhm, of 24 V.
        ((1e6,), 1e6, METER_OHMS, 11.4286),
        # Arithmetic: 1 MOhm of leakage round an open contact, nothing but the meter behind it; the same with a coil.
        ((1e6,), inf, METER_OHMS, 21.8182),
        ((1e6,), 650.0, METER_OHMS, 0.01559),
        # Arithmetic: 100 Ohm of dirt in front of a 650 Ohm coil.
        ((100.0,), 650.0, inf, 20.8),
        # Arithmetic: eight contacts of 100 mOhm in front of the coil drop 24 V * 0.8 / 650.8 = 29.5 mV.
        ((0.1,) * 8, 650.0, inf, 23.9705),
    ],
)
def test_worked_dividers(series: tuple[float, ...], load: float, meter: float, volts: float) -> None:
    assert Ladder(24.0, 0.0, series, load).voltage(len(series), meter) == pytest.approx(volts, abs=1e-4)


@given(
    emf=st.floats(1, 60),
    source=st.floats(0.001, 10),
    series=st.lists(st.floats(0.001, 1e6), min_size=1, max_size=16),
    load=st.floats(1, 1e7),
    data=st.data(),
)
def test_currents_sum_to_zero_at_every_node(
    emf: float, source: float, series: list[float], load: float, data: st.DataObject
) -> None:
    """Kirchhoff's current law, node by node, from the voltages alone."""
    meter_node = data.draw(st.integers(0, len(series)))
    volts = [value for value in Ladder(emf, source, tuple(series), load).voltages(meter_node) if value is not None]
    assert len(volts) == len(series) + 1
    above = [emf, *volts]
    currents = [(up - down) / ohms for (up, down), ohms in zip(pairwise(above), [source, *series], strict=True)]
    for node, (into, out) in enumerate(pairwise([*currents, volts[-1] / load])):
        through_meter = volts[node] / METER_OHMS if node == meter_node else 0.0
        resolution = 1e-12 * emf * sum(1 / ohms for ohms in [source, *series])  # of the subtraction of near-equal volts
        assert into - out - through_meter == pytest.approx(0, abs=resolution + 1e-9 * abs(into))


@pytest.mark.parametrize("element", [name for name in ELEMENTS if name != "X7"])
def test_an_open_element_kills_all_behind_it(element: str) -> None:
    lift = Lift(random.Random(1), FULL, {element: inf})
    volts = [lift.volts(point) for point in CHAIN_POINTS]
    alive = [value is not None and value > 23.9 for value in volts]
    first_dead = alive.index(False)
    assert first_dead == ELEMENTS.index(element) + 1
    assert volts[first_dead:] == [0.0] * (len(volts) - first_dead)


def test_what_is_cut_off_on_both_sides_floats() -> None:
    lift = Lift(random.Random(1), FULL, {"B1": inf, "B3": inf})
    assert lift.volts("B1:11") == pytest.approx(24, abs=0.1)
    assert lift.volts("X2:3") is None
    assert lift.volts("B3:14") == 0.0


def test_a_sound_chain_drops_next_to_nothing() -> None:
    for seed in range(20):
        lift = Lift(random.Random(seed), (25.2, 27.6), {})
        top, bottom = lift.volts("G1:+"), lift.volts("K1:A1")
        assert top is not None
        assert bottom is not None
        assert 25.1 < top < 27.6
        assert 0 < top - bottom < 0.06


def test_isolated_the_chain_is_dead_and_ohms_show_the_coil() -> None:
    lift = Lift(random.Random(1), FULL, {})
    assert lift.ohms("F1:2") == inf
    lift.isolate()
    assert lift.volts("F1:2") == 0.0
    assert 600 < lift.ohms("F1:2") < 700
    assert lift.ohms("F1:1") == inf


@pytest.mark.parametrize(("ohms", "volts"), [(0.4, 0.0), (inf, None)])
def test_the_edge_loop_stands_apart_from_the_supply(ohms: float, volts: float | None) -> None:
    lift = Lift(random.Random(1), FULL, {"X7": ohms})
    assert lift.ohms("X7:1") == ohms
    assert lift.volts("X7:1") == volts


def test_neighbours_stand_next_to_the_point() -> None:
    assert neighbours("Q1:1") == ("F1:2", "Q1:2")
    assert neighbours("G1:+") == ("F1:1",)
    assert neighbours("X7:1") == ()
