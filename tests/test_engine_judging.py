"""The engine's verdicts with what is known of the meter: rules, differences to earlier readings, another meter."""

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench import Bench, reading_step
from meterlink.instrument import Calibration, Instrument
from meterlink.instruments.sheet_file import parse_sheet
from meterlink.instruments.shelf import cautious_sheet
from meterlink.judging.judge import Judge
from meterlink.judging.rules import Decision, Rule
from meterlink.limits import parse_limits
from meterlink.outcome import Cue, Verdict
from meterlink.reading import NS_PER_S, Function, Instant, Reading
from meterlink.settle import settle

SHEET = """\
sheet: bench
functions:
  dc-voltage:
    - {range: 600 mV, resolution: 0.1 mV, reading: 0.5 %, counts: 2}
    - {range: 60 V, resolution: 0.01 V, reading: 0.5 %, counts: 2, impedance: 10 MOhm}
    - {range: 600 V, resolution: 0.1 V, reading: 0.5 %, counts: 2, impedance: 10 MOhm}
"""
GUARDED = {"judging": {"rule": "guarded"}}


def instrument(name: str | None = "DMM-1", sheet: str = SHEET, **more: object) -> Instrument:
    fields: dict[str, object] = {"sheet": parse_sheet(sheet, "bench.yaml"), "at": Instant(0, 0), "name": name}
    return Instrument(**{**fields, "fallback": cautious_sheet(), **more})  # type: ignore[arg-type]


def last(bench: Bench) -> Verdict:
    return bench.of(Verdict)[-1]


@pytest.mark.parametrize(
    ("display", "outcome"),
    [("24.20", "pass"), ("24.10", "unclear"), ("23.90", "unclear"), ("23.80", "fail"), ("24.00", "unclear")],
)
def test_a_guarded_step_is_clear_only_beyond_what_the_meter_may_be_off(display: str, outcome: str) -> None:
    """U = 2 ((0.005 x 24 + 0.02)² / 3 + 0.01² / 12)^½ V = 0.162 V at 24 V (GUM 4.3.7, 5.1.2)."""
    bench = Bench(reading_step("a", "24.0..29.0 V", **GUARDED), instrument=instrument()).lift().hold(display, 9)
    assert bench.verdicts == [("a", outcome)]
    made = last(bench).assessment
    assert made is not None
    assert made.rule == "guarded"
    assert made.expanded_uncertainty == pytest.approx(Decimal("0.162"), abs=Decimal("0.002"))


def test_an_unclear_verdict_says_why_and_what_to_do() -> None:
    bench = Bench(reading_step("a", "24.0..29.0 V", **GUARDED), instrument=instrument()).lift().hold("24.10", 9)
    assert last(bench).reason == "0.1 V inside 24.0..29.0 V, but the meter may be off by 0.17 V: too close to call."
    (said,) = [cue.text for cue in bench.of(Cue) if cue.code == "unclear"]
    assert said == f"a:1: 24.10 V. Unclear. {last(bench).reason} Repeat with a better meter, one within ±0.086 V here."


def test_the_digits_tell_the_range_and_a_lower_one_is_asked_for() -> None:
    bench = Bench(reading_step("a", "24.0..29.0 V", **GUARDED), instrument=instrument()).lift().hold("024.3", 9)
    made = last(bench).assessment
    assert made is not None
    assert made.range == "600 V"
    assert made.advice == "Use a lower range, 60 V: there it would be clear."


def test_a_drop_is_judged_without_the_error_that_both_touches_share() -> None:
    """Common practice, no source: the same meter on the same range compares better than it measures."""
    steps = (
        reading_step("a", "24.0..29.0 V"),
        reading_step("b", "within 0.2 V of a", **GUARDED),
        reading_step("c", "23.0..29.0 V"),
        reading_step("d", "0..0.5 V below c:1", **GUARDED),
    )
    bench = Bench(*steps, instrument=instrument())
    for display in ("25.40", "25.30", "25.40", "25.10"):
        bench.lift().hold(display, 8)
    assert bench.verdicts == [("a", "pass"), ("b", "pass"), ("c", "pass"), ("d", "pass")]
    judged = {verdict.step: verdict for verdict in bench.of(Verdict)}
    assert judged["b"].limits == "within 0.2 V of a (25.40 V)"
    assert judged["d"].limits == "0..0.5 V below c:1 (25.40 V)"
    made = judged["b"].assessment
    assert made is not None
    assert made.cancelled is not None
    assert made.expanded_uncertainty is not None
    assert made.expanded_uncertainty < Decimal("0.04")


def test_another_meter_shares_nothing() -> None:
    bench = Bench(
        reading_step("a", "24.0..29.0 V"), reading_step("b", "within 0.2 V of a", **GUARDED), instrument=instrument()
    )
    bench.lift().hold("25.40", 8)
    bench.outcomes += bench.engine.feed(instrument("DMM-2", at=bench.at()))
    bench.lift().hold("25.30", 8)
    assert bench.verdicts == [("a", "pass"), ("b", "unclear")]
    made = last(bench).assessment
    assert made is not None
    assert made.cancelled is None


def test_a_dead_point_is_judged_with_its_uncertainty_too() -> None:
    bench = Bench(reading_step("a", "0 V ± 0.5 V", **GUARDED), instrument=instrument()).lift()
    bench.hold("0.01", 6).confirm_dead("0.01")
    assert bench.verdicts == [("a", "pass")]
    made = last(bench).assessment
    assert made is not None
    assert made.expanded_uncertainty is not None
    bench = Bench(reading_step("a", "0 V ± 0.5 V", **GUARDED), instrument=instrument(cautious=True, sheet=CRUDE)).lift()
    assert bench.hold("0.01", 6).confirm_dead("0.01").verdicts == [("a", "unclear")]


CRUDE = "sheet: crude\nfunctions:\n  dc-voltage:\n    - {range: 60 V, resolution: 0.01 V, reading: 2 %, counts: 60}\n"


def test_what_the_sheet_does_not_cover_falls_back_on_the_cautious_default() -> None:
    loop = {"id": "loop", "kind": "reading", "point": "X1:7", "reference": "X1:8", "measure": "resistance"}
    bench = Bench({**loop, "limits": "<= 2 Ohm", **GUARDED}, instrument=instrument())
    bench.hold("OL", 4, "resistance", 6).hold("0.4", 8, "resistance")
    made = last(bench).assessment
    assert made is not None
    assert (made.sheet, made.cautious_default) == ("cautious-default", True)


def test_without_any_sheet_only_plain_limits_are_judged() -> None:
    assert Bench(reading_step("a", "24.0..29.0 V")).lift().hold("25.40", 8).verdicts == [("a", "pass")]
    bench = Bench(reading_step("a", "24.0..29.0 V", **GUARDED)).lift().hold("25.40", 8)
    assert bench.verdicts == [("a", "unclear")]
    assert last(bench).reason.startswith("No accuracy sheet covers 25.40 V")


@pytest.mark.parametrize(
    ("more", "said"),
    [
        (
            {"calibration": Calibration.VALID, "calibrated": "2026-03-02", "due": "2027-03-02"},
            "Meter DMM-1, accuracy sheet bench. Calibrated 2026-03-02, valid to 2027-03-02.",
        ),
        (
            {"calibration": Calibration.OVERDUE, "due": "2025-03-02"},
            "Meter DMM-1, accuracy sheet bench. Its calibration is overdue: it was due by 2025-03-02.",
        ),
        (
            {"calibration": Calibration.MISSING},
            "Meter DMM-1, accuracy sheet bench. No calibration of it is on file that holds today.",
        ),
        ({"name": None}, "Accuracy sheet bench. No calibration is known."),
        (
            {"name": None, "cautious": True},
            "The meter is not known: its readings are judged by a cautious default. No calibration is known.",
        ),
    ],
)
def test_the_meter_and_its_calibration_are_announced_first(more: dict[str, object], said: str) -> None:
    first, second = Bench(reading_step("a", "24.0..29.0 V"), instrument=instrument(**more)).of(Cue)  # type: ignore[arg-type]
    assert (first.code, first.text) == ("meter", said)
    assert second.code == "probe"


def test_a_ripple_across_a_limit_is_too_close_to_call_and_a_probe_being_laid_on_is_not() -> None:
    ripple = Bench(reading_step("a", "22.0..29.0 V"), interval_s=0.3).lift(6).show(["21.92", "22.09"] * 8)
    assert ripple.verdicts == [("a", "unclear")]
    assert last(ripple).reason == "The display wavers between pass and fail."
    laid_on = Bench(reading_step("a", "22.0..29.0 V"), interval_s=0.3).lift(6).show(["20.40", "23.60", "21.20"] * 8)
    assert laid_on.verdicts == []


SWING = "25.50 25.90 25.40 25.80 25.45 25.85 25.50 25.75"


def test_a_swinging_value_passes_far_from_its_limits_and_not_near_one() -> None:
    far = Bench(reading_step("a", "22.0..29.0 V"), interval_s=0.25).lift(6)
    assert far.show(SWING).verdicts == [("a", "pass")]
    near = Bench(reading_step("a", "25.2..29.0 V"), interval_s=0.25).lift(6)
    assert near.show(SWING).verdicts == []


@pytest.mark.parametrize(
    ("rule", "displays"),
    [
        ({}, "26.68 25.94 26.12 25.38 25.56 24.82 25.00 24.26 24.44 23.70 23.88 23.14 22.90 22.60"),
        (GUARDED, "26.62 27.02 26.24 26.64 25.86 26.26 25.48 25.88 25.10 25.50 24.70"),
        (GUARDED, "23.37 23.34 23.34 23.29 23.30 23.27 23.25 23.22 23.20 23.16"),
    ],
)
def test_a_value_that_falls_towards_a_limit_is_waited_for_however_it_swings(
    rule: dict[str, object], displays: str
) -> None:
    bench = Bench(reading_step("a", "22.9..29.0 V", **rule), instrument=instrument(), interval_s=0.5).lift()
    assert bench.show(displays).verdicts == []


@given(st.lists(st.integers(2190, 2212), min_size=3, max_size=16), st.sampled_from(["simple", "guarded"]))
def test_the_verdict_on_record_is_the_one_that_settled(counts: list[int], rule: str) -> None:
    judge = Judge(parse_limits("22.0..29.0 V"), Decision(Rule(rule)), instrument())
    readings = [
        Reading(f"{count / 100:.2f}", "V", Function.DC_VOLTAGE, Instant(index * NS_PER_S // 3, 0))
        for index, count in enumerate(counts)
    ]
    found = settle(readings, judge.zones)
    if found is not None:
        assert judge.judge(found[0].window).outcome is found[1]
