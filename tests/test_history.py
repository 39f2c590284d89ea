"""What of several visits is comparable, what the slope goes by, and what it says."""

from collections.abc import Sequence
from dataclasses import replace
from decimal import Decimal

import pytest

from ageing import EVERY, FIRST_NS, MONTH_NS, Lift, meter, start_up
from meterlink.history.figure import What
from meterlink.history.lines import history_json
from meterlink.history.page import history_page
from meterlink.history.series import History, Series, history, moment
from meterlink.history.visit import Standing, Visit
from meterlink.instrument import Instrument
from meterlink.outcome import VerdictOutcome
from meterlink.prepared import Prepared


@pytest.fixture(scope="module")
def prepared() -> Prepared:
    return start_up()


@pytest.fixture(scope="module")
def sound(prepared: Prepared) -> list[Visit]:
    lift = Lift(prepared, "L-17", meter())
    return [lift.visited(number) for number in range(5)]


def worn(
    visits: Sequence[Visit], volts_a_visit: str, points: tuple[str, ...] = ("X2:3", "B2:12"), what: What = What.DROP
) -> list[Visit]:
    """The same visits with that much more from visit to visit, lost between two points unless told."""

    def changed(number: int, visit: Visit) -> Visit:
        lost = Decimal(volts_a_visit) * number
        figures = [
            replace(each, value=(each.value or Decimal(0)) + lost, margin=(each.margin or Decimal(0)) - lost)
            if each.key.what is what and each.key.points == points
            else each
            for each in visit.figures
        ]
        return replace(visit, figures=tuple(figures))

    return [changed(number, visit) for number, visit in enumerate(visits)]


def series_of(found: History, what: What, *points: str) -> Series:
    (series,) = [
        each
        for each in found.series
        if each.key.what is what and each.key.points == points and each.key.situation != "isolated"
    ]
    return series


def with_meters(visits: Sequence[Visit], lift: Lift, other: Instrument, first: int) -> list[Visit]:
    return [*visits[:first], *(lift.visited(number, instrument=other) for number in range(first, len(visits)))]


def test_a_point_has_its_values_with_verdict_limits_margin_and_uncertainty(sound: list[Visit]) -> None:
    points = series_of(history("L-17", sound), What.VALUE, "G1:+").points
    assert [point.visit for point in points] == [0, 1, 2, 3, 4]
    figure = points[0].figure
    assert (figure.verdict, figure.limits, figure.key.unit) == ("pass", "24.0..29.0 V", "V")
    assert figure.value is not None
    assert figure.margin == min(figure.value - 24, 29 - figure.value)
    # ±(0.5 % of reading + 2 counts), rectangular; what visits do not share is half a count and the flicker.
    assert figure.shared == pytest.approx((0.005 * float(figure.value) + 0.02) / 3**0.5)
    assert figure.own is not None
    assert 0.01 / 12**0.5 <= figure.own < 0.02


def test_volts_lost_are_the_difference_of_two_readings_without_the_meters_gain(sound: list[Visit]) -> None:
    visit = sound[0]
    by_point = {
        each.key.points[0]: each
        for each in visit.figures
        if each.key.what is What.VALUE and each.key.situation == "rest"
    }
    drop = next(each for each in visit.figures if each.key.points == ("F1:2", "K1:A1"))
    first, last = by_point["F1:2"].value, by_point["K1:A1"].value
    assert first is not None
    assert last is not None
    assert drop.value == first - last
    assert drop.shared < by_point["K1:A1"].shared / 4
    # What is left until the step that compares both fails: within 0.5 V.
    assert drop.high == Decimal("0.5")
    assert drop.margin == Decimal("0.5") - drop.value


def test_a_loss_has_the_room_of_the_first_step_behind_it_to_fail(sound: list[Visit]) -> None:
    drop = next(each for each in sound[0].figures if each.key.points == ("X2:3", "B2:12"))
    end = next(each for each in sound[0].figures if each.key.points == ("K1:A1",) and each.key.what is What.VALUE)
    assert drop.margin == end.margin
    assert drop.limits is not None
    assert drop.limits.startswith("K1:A1: ")


def test_a_point_down_the_chain_has_no_slope_of_its_own(sound: list[Visit]) -> None:
    found = history("L-17", sound)
    assert series_of(found, What.VALUE, "G1:+").line is not None
    point = series_of(found, What.VALUE, "B2:12")
    assert (point.line, point.without) == (None, "told by the bank and the drops before it")


def test_a_steady_loss_is_significant_and_says_when_its_limit_is_reached(sound: list[Visit]) -> None:
    found = history("L-17", worn(sound, "0.05"))
    drift = series_of(found, What.DROP, "X2:3", "B2:12")
    assert drift.line is not None
    assert drift.line.slope == pytest.approx(0.05 * 12 / EVERY, rel=0.1)
    assert drift.significant
    assert [each for each in found.series if each.significant] == [drift]
    assert drift.crossing is not None
    # About 0.5 V of room at 0.2 V a year, counted from the first visit.
    assert 2 < drift.crossing.early < drift.crossing.at < drift.crossing.late < 4
    assert moment(drift, 0.0) == FIRST_NS
    page = "\n".join(history_page(found))
    assert "DRIFTS: limit of K1:A1" in page
    assert "34 slopes looked at" in page


def test_a_bank_that_sinks_says_when_its_lower_limit_is_reached(sound: list[Visit]) -> None:
    found = history("L-17", worn(sound, "-1.5", ("G1:+",), What.VALUE))
    bank = series_of(found, What.VALUE, "G1:+")
    assert bank.significant
    assert bank.limit == 24
    assert bank.crossing is not None
    # It was above 24 V at first and has gone down 6 V since, a year later: the day lies between.
    assert 0 < bank.crossing.at < 1
    assert "DRIFTS: limit 24.0 V is reached about 2027-" in "\n".join(history_page(found))


def test_what_does_not_drift_says_what_would_have_been_seen(sound: list[Visit]) -> None:
    found = history("L-17", sound)
    assert not any(series.significant for series in found.series)
    page = "\n".join(history_page(found))
    assert page.count("no significant change; ") == 34
    steady = series_of(found, What.DROP, "X2:3", "B2:12")
    assert steady.crossing is None
    assert steady.line is not None
    assert 0 < steady.line.visible(0.05 / 34) < 0.5


def test_fewer_than_three_visits_give_differences_and_no_slope(sound: list[Visit]) -> None:
    found = history("L-17", sound[:2])
    drop = series_of(found, What.DROP, "X2:3", "B2:12")
    assert (found.looked_at, drop.line, drop.p_adjusted) == (0, None, None)
    assert drop.without == "2 visits on different days: no slope from fewer than 3"
    before, after = (point.figure for point in drop.points)
    assert drop.change is not None
    assert drop.change[0] == pytest.approx(float((after.value or 0) - (before.value or 0)))
    assert drop.change[1] == pytest.approx(((before.own or 0) ** 2 + (after.own or 0) ** 2) ** 0.5, rel=1e-3)
    assert "Since the last visit" in "\n".join(history_page(found))


def test_three_visits_on_one_day_give_no_slope_either(sound: list[Visit]) -> None:
    same_day = [
        replace(each, job=replace(each.job, started_utc_ns=FIRST_NS + number)) for number, each in enumerate(sound[:3])
    ]
    bank = series_of(history("L-17", same_day), What.VALUE, "G1:+")
    assert (bank.line, bank.without) == (None, "1 visit on different days: no slope from fewer than 3")


@pytest.mark.parametrize("change", [{"name": "crew 1, meter B"}, {"calibrated": "2027-06-01"}])
def test_another_meter_or_calibration_adds_what_both_are_off_by(
    prepared: Prepared, sound: list[Visit], change: dict[str, str]
) -> None:
    other = meter(**change)
    mixed = with_meters(sound, Lift(prepared, "L-17", meter()), other, 3)
    one, both = (series_of(history("L-17", visits), What.VALUE, "G1:+") for visits in (sound, mixed))
    assert one.line is not None
    assert both.line is not None
    assert both.line.slope_uncertainty > 0.05  # 0.09 V each, over a year
    assert "From visit 4 on another meter or calibration" in "\n".join(history_page(history("L-17", mixed)))


def test_the_difference_over_a_change_of_meter_has_the_error_of_both(prepared: Prepared, sound: list[Visit]) -> None:
    mixed = with_meters(sound[:2], Lift(prepared, "L-17", meter()), meter("crew 1, meter B"), 1)
    same, other = (series_of(history("L-17", each), What.VALUE, "G1:+").change for each in (sound[:2], mixed))
    assert same is not None
    assert other is not None
    assert (same[1] < 0.01, other[1] > 0.12) == (True, True)


def test_a_meter_that_is_not_known_is_another_one_each_time(prepared: Prepared) -> None:
    lift = Lift(prepared, "L-17", meter(None))
    found = history("L-17", [lift.visited(number) for number in range(3)])
    groups = {point.figure.group for point in series_of(found, What.VALUE, "G1:+").points}
    assert len(groups) == 3
    assert "register it" in "\n".join(history_page(found))


def test_settling_times_of_two_meters_are_not_compared(prepared: Prepared, sound: list[Visit]) -> None:
    mixed = with_meters(sound, Lift(prepared, "L-17", meter()), meter("crew 1, meter B"), 2)
    settling = series_of(history("L-17", mixed), What.SETTLE, "G1:+")
    assert [point.left_out for point in settling.points] == ["with another meter or software"] * 2 + [None] * 3


def test_a_slope_begins_anew_with_a_repair(sound: list[Visit]) -> None:
    def mended(visit: Visit) -> Visit:
        return replace(visit, figures=tuple(replace(each, mended=True) for each in visit.figures))

    visits = worn(sound, "0.05")
    visits[2] = mended(visits[2])
    drop = series_of(history("L-17", visits), What.DROP, "X2:3", "B2:12")
    assert [point.left_out for point in drop.points] == ["before a repair"] * 2 + [None] * 3
    assert drop.since_ns == FIRST_NS + 2 * EVERY * MONTH_NS
    assert drop.line is not None
    assert drop.line.count == 3


def test_a_step_that_failed_and_passed_after_the_repair_is_mended(prepared: Prepared) -> None:
    visit = Lift(prepared, "L-17", meter()).visited(0, "open:B2", repairs=True)
    mended = {each.key.points[0] for each in visit.figures if each.mended and each.key.what is What.VALUE}
    assert mended == {"B2:12"}
    assert [str(found.event.body["answer"]) for found in visit.summary.found] == ["open:B2"]


def test_a_point_that_is_dead_is_no_loss_on_the_way_there(prepared: Prepared) -> None:
    visit = Lift(prepared, "L-17", meter()).visited(0, "open:B2")
    assert visit.summary.count(VerdictOutcome.FAIL) == 1
    drops = [each.key.points for each in visit.figures if each.key.what is What.DROP]
    assert ("B1:12", "X2:3") in drops
    assert ("X2:3", "B2:12") not in drops


def test_procedures_of_another_revision_match_by_point_and_say_where_limits_changed(sound: list[Visit]) -> None:
    def other(visit: Visit) -> Visit:
        figures = [
            replace(each, step="bank", written="25.0..29.0 V") if each.key.points == ("G1:+",) else each
            for each in visit.figures
        ]
        return replace(visit, figures=tuple(figures), job=replace(visit.job, revision="4"))

    found = history("L-17", [*sound[:3], *map(other, sound[3:])])
    bank = series_of(found, What.VALUE, "G1:+")
    assert len(bank.points) == 5
    assert bank.limits_changed == [(3, "24.0..29.0 V", "25.0..29.0 V")]
    assert "  G1:+ at visit 4: 24.0..29.0 V, then 25.0..29.0 V" in history_page(found)


def test_another_situation_or_function_is_another_series(sound: list[Visit]) -> None:
    found = history("L-17", sound)
    keys = [(each.key.situation, each.key.unit) for each in found.series if each.key.points == ("F1:2",)]
    assert ("rest", "V") in keys
    assert ("isolated", "V") in keys


def test_what_is_not_proven_is_marked(sound: list[Visit]) -> None:
    doubtful = [replace(sound[0], standing=Standing(False, False, ("Event 3 was altered.",))), *sound[1:]]
    found = history("L-17", doubtful)
    assert [job["intact"] for job in history_json(found)["jobs"]] == [False, True, True, True, True]  # type: ignore[attr-defined]
    page = "\n".join(history_page(found))
    assert "NOT INTACT, NOT SEALED" in page
    assert "Not intact or not sealed, and included: visit 1." in page


def test_a_log_that_cannot_be_read_is_a_visit_without_figures(sound: list[Visit]) -> None:
    broken = replace(sound[1], figures=(), meters=(), trouble="event 7 is no line of a log")
    page = history_page(history("L-17", [sound[0], broken]))
    assert "Visit 2 cannot be compared: event 7 is no line of a log" in page
