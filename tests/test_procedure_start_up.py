"""The shipped start-up check."""

import re
from decimal import Decimal
from itertools import pairwise

import pytest

from meterlink.procedure.load import load_procedure, shipped
from meterlink.procedure.model import AgreeStep, LookStep, MeasuredStep, ReadingStep
from meterlink.procedure.parse import examine
from meterlink.reading import Function

STEPS = load_procedure("start-up").procedure.steps
MEASURED = [step for step in STEPS if isinstance(step, MeasuredStep)]
ISOLATED = next(index for index, step in enumerate(STEPS) if step.id == "isolated")
CHAIN = [step for step in STEPS[:ISOLATED] if isinstance(step, MeasuredStep)]
CHAIN_LIMITS = [(step.id, step.limits) for step in CHAIN if isinstance(step, ReadingStep)]


@pytest.mark.parametrize("name", shipped())
def test_each_shipped_procedure_is_free_of_problems_and_named_as_its_file(name: str) -> None:
    loaded = load_procedure(name)

    assert examine(loaded.source, "p").problems == ()
    assert loaded.procedure.procedure == name


def test_it_walks_the_chain_from_the_battery_to_the_controller() -> None:
    assert len(STEPS) >= 18
    points = "G1:+ F1:1 F1:2 Q1:1 Q1:2 B1:11 B1:12 X2:3 B2:12 X5:4 S1:12 X5:5 B3:14 B4:14 K1:A1"
    assert " ".join(step.point for step in CHAIN) == points
    assert {step.reference for step in CHAIN} == {"earth bar"}
    assert {step.measure for step in CHAIN} == {(Function.DC_VOLTAGE,)}
    assert {step.on_fail for step in CHAIN} == {"find"}


def test_each_remedy_in_the_chain_names_the_last_good_point_and_this_one() -> None:
    for before, step in pairwise(CHAIN):
        assert step.remedy is not None
        assert step.remedy.startswith(f"Between {before.point} and {step.point} lie")


# 12 lead-acid cells, a cell at 25 °C: float 2.25..2.30 V, open circuit when full 2.10..2.15 V, end of discharge 1.75 V
# (battery makers' manuals).
@pytest.mark.parametrize("cell", ["2.25", "2.30", "2.10", "2.15"])
def test_a_sound_bank_passes_all_along_the_chain(cell: str) -> None:
    assert [name for name, limits in CHAIN_LIMITS if not limits.accept(12 * Decimal(cell))] == []


def test_a_discharged_bank_fails_all_along_the_chain() -> None:
    assert [name for name, limits in CHAIN_LIMITS if limits.accept(12 * Decimal("1.75"))] == []


def test_a_reversed_or_dead_chain_passes_nowhere() -> None:
    for _, limits in CHAIN_LIMITS:
        assert not limits.accept(Decimal("-25.6"))
        assert not limits.accept(Decimal(0))


def test_a_fuse_at_its_rated_current_agrees_and_a_dirty_one_does_not() -> None:
    fuse, end = (step for step in CHAIN if isinstance(step, AgreeStep))

    # 5x20 mm time-lag fuses, 1 A to 10 A: 0.25 V down to 0.10 V at rated current (fuse data sheets).
    assert fuse.within.accept(Decimal("-0.25"))
    assert not fuse.within.accept(Decimal(-1))
    assert fuse.with_ == CHAIN[1].id
    assert CHAIN[1].point == "F1:1"

    # At the end of the chain: eight contacts of 100 mOhm drop 30 mV at 37 mA (switch and relay data sheets); 30 Ohm of
    # dirt drop a volt (common practice, no source).
    assert end.point == "K1:A1"
    assert end.with_ == fuse.id
    assert end.within.accept(Decimal("-0.03"))
    assert not end.within.accept(Decimal("-1.1"))


def test_a_relay_that_must_operate_has_a_margin_all_along_the_chain() -> None:
    must_operate = Decimal(24) * 80 / 100  # the highest of 70, 75 and 80 % of rated voltage (relay data sheets)

    for _, limits in CHAIN_LIMITS:
        assert limits.low is not None
        assert limits.low > must_operate


def test_ohms_come_only_after_isolating_and_proving_dead() -> None:
    after = STEPS[ISOLATED:]
    dead = next(step for step in after if isinstance(step, MeasuredStep))

    assert isinstance(STEPS[ISOLATED], LookStep)
    assert isinstance(dead, ReadingStep)
    assert dead.measure == (Function.DC_VOLTAGE,)
    assert dead.limits.accept(Decimal("-0.5"))
    assert dead.limits.accept(Decimal("0.5"))
    assert not dead.limits.accept(Decimal(-24))
    assert {STEPS[ISOLATED].on_fail, dead.on_fail} == {"stop"}
    assert all(Function.RESISTANCE not in step.measure for step in CHAIN)


def test_the_edge_loop_passes_sound_and_fails_worn_or_pressed() -> None:
    edge = MEASURED[-1]
    assert isinstance(edge, ReadingStep)
    assert (edge.point, edge.reference) == ("X7:1", "X7:2")

    switches = 4 * Decimal("0.1")  # limit switches, 100 mOhm new at most (switch data sheets)
    cable = 20 * Decimal("0.026")  # 0.75 mm², class 5: 26.0 Ohm/km (IEC 60228, table 3)
    leads = Decimal("0.5")  # a pair of test leads, 0.2..0.5 Ohm (meter makers' notes)
    assert edge.limits.accept(switches + cable + leads)
    assert not edge.limits.accept(Decimal(5))
    assert not edge.limits.accept(None)


def test_the_black_lead_is_explained_wherever_it_goes() -> None:
    explained = {reference.name for reference in load_procedure("start-up").procedure.references}

    assert {step.reference for step in MEASURED} == explained


def test_every_tag_has_a_letter_of_iec_81346() -> None:
    # IEC 81346-2, letter codes of main classes; from memory.
    for step in STEPS:
        for tag in step.point.split(", "):
            assert re.fullmatch(r"[BFGKQSTX][0-9](:[A-Z0-9+]+)?", tag)
