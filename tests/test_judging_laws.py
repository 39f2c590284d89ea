"""What holds of every judgement, whatever the meter, the reading and the limits."""

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from math import pi, sqrt

import pytest
from hypothesis import given
from hypothesis import strategies as st

from judging_samples import COMMON, ZERO, display, judge, meter, parts, row, sheet, shown
from meterlink.instrument import Instrument, Range, Sheet
from meterlink.judging.budget import Shown, budget_of
from meterlink.judging.distribution import inside
from meterlink.judging.judge import Judge, Judgement
from meterlink.judging.rules import Decision, Rule
from meterlink.judging.uncertainty import Shape, combined
from meterlink.limits import Limits, parse_limits, parse_quantity
from meterlink.outcome import VerdictOutcome
from meterlink.reading import Function, plain

PASS, FAIL, UNCLEAR = VerdictOutcome.PASS, VerdictOutcome.FAIL, VerdictOutcome.UNCLEAR

QUADRATURE = 1e-6
"""How far off a probability with scatter in it may be: it is integrated numerically."""


@dataclass(frozen=True, slots=True)
class Touch:
    """A meter, and what it shows."""

    range: Range
    seen: Shown
    celsius: str | None
    source_ohms: str | None

    @property
    def instrument(self) -> Instrument:
        """The meter in hand."""
        return meter(sheet(self.range), celsius=self.celsius)

    def judge(self, limits: Limits, decision: Decision) -> Judgement:
        """The judgement by these limits."""
        source = None if self.source_ohms is None else Decimal(self.source_ohms)
        return Judge(limits, decision, self.instrument, source_ohms=source).judge_shown(self.seen)

    @property
    def count(self) -> Decimal:
        """The size of one count."""
        return self.range.resolution


@st.composite
def touches(draw: st.DrawFn, *, scatter: bool = True) -> Touch:
    """Any meter of 6000 counts, any value of it, now and then scattered, in the cold, or loading the circuit."""
    resolution = Decimal(1).scaleb(-draw(st.integers(0, 4)))
    percent = Decimal(draw(st.integers(0, 300))) / 100
    counts = draw(st.integers(1, 10))
    made = row(plain(6000 * resolution), plain(resolution), str(percent), str(counts), impedance=Decimal("1e7"))
    deviation = resolution * Decimal(draw(st.sampled_from(("0", "0", "0", "0.2", "0.7", "3")))) if scatter else ZERO
    seen = shown(draw(st.integers(-5999, 5999)) * resolution, resolution, deviation=deviation)
    celsius, source = st.sampled_from((None, "5")), st.sampled_from((None, "50000"))
    return Touch(made, seen, draw(celsius), draw(source))


@st.composite
def limits_near(draw: st.DrawFn, touch: Touch, *, sides: Sequence[str] = ("low", "high", "both")) -> Limits:
    """Limits within some counts of the value, on a tenth of a count, one- or two-sided."""
    reach = 40 + 10 * abs(int(touch.seen.value / touch.count)) // 100
    ends = sorted(draw(st.integers(-reach, reach)) * touch.count / 10 + touch.seen.value for _ in range(2))
    side = draw(st.sampled_from(sides))
    return Limits("near", ends[0] if side != "high" else None, ends[1] if side != "low" else None, "V")


rules = st.sampled_from(Rule)
touches_and_limits = touches().flatmap(lambda touch: st.tuples(st.just(touch), limits_near(touch)))


@st.composite
def decisions(draw: st.DrawFn, touch: Touch, *, share: bool) -> Decision:
    """Any rule; simple acceptance also with a largest uncertainty, and that also as a share of the limits' width."""
    rule = draw(rules)
    kind = draw(st.sampled_from(("any", "size", "share"))) if rule is Rule.SIMPLE else "any"
    if kind == "share" and share:
        return Decision(rule, max_uncertainty=Decimal(draw(st.integers(1, 100))), max_unit="%")
    most = draw(st.integers(1, 200)) * touch.count if kind == "size" else None
    return Decision(rule, max_uncertainty=most, max_unit=None if most is None else "V")


# Limits


@given(st.data(), touches_and_limits)
def test_wider_limits_never_turn_a_pass_into_anything_else(data: st.DataObject, case: tuple[Touch, Limits]) -> None:
    """A share of one limit's own magnitude is left out: it shrinks where that limit moves towards 0."""
    touch, limits = case
    both = limits.low is not None and limits.high is not None
    decision = data.draw(decisions(touch, share=both))
    more = [data.draw(st.integers(0, 300)) * touch.count / 7 for _ in range(2)]
    wider = replace(
        limits,
        low=None if limits.low is None else limits.low - more[0],
        high=None if limits.high is None else limits.high + more[1],
    )
    before, after = (touch.judge(each, decision) for each in (limits, wider))
    if before.outcome is PASS:
        assert after.outcome is PASS
    if after.outcome is FAIL:
        assert before.outcome is FAIL or (before.outcome is UNCLEAR and decision.rule is Rule.SIMPLE)
    assert before.assessment.probability is not None
    assert after.assessment.probability is not None
    assert 0 <= before.assessment.probability <= after.assessment.probability + QUADRATURE
    assert after.assessment.probability <= 1


@given(touches(), st.sampled_from(("low", "high")))
def test_at_a_limit_itself_both_sides_are_as_likely(touch: Touch, side: str) -> None:
    at = touch.seen.value
    limits = Limits("at", at if side == "low" else None, at if side == "high" else None, "V")
    assessment = touch.judge(limits, Decision()).assessment
    assert assessment.probability == pytest.approx(0.5, abs=QUADRATURE)
    assert assessment.probability_normal == pytest.approx(0.5, abs=1e-9)


@given(st.lists(st.integers(1, 1000), min_size=1, max_size=3), st.integers(0, 100), st.integers(-1500, 1500))
def test_the_probability_below_and_above_a_limit_make_up_the_whole(halves: list[int], normal: int, x: int) -> None:
    errors = parts(halves, normal)
    below, above = (inside(errors, ZERO, *ends) for ends in ((None, Decimal(x)), (Decimal(x), None)))
    assert below + above == pytest.approx(1, abs=1e-12)
    assert inside(errors, ZERO, None, Decimal(-x)) == pytest.approx(above, abs=1e-12)


# Ends


@pytest.mark.parametrize(
    ("text", "limits", "outcome"),
    [
        ("22.00", "22.0..29.0 V", PASS),
        ("21.99", "22.0..29.0 V", FAIL),
        ("29.00", "22.0..29.0 V", PASS),
        ("29.01", "22.0..29.0 V", FAIL),
        ("0.30", "<= 300 mV", PASS),
        ("0.30", ">= 0.3 V", PASS),
        ("26.40", "24 V ± 10 %", PASS),  # 24 * 1.1 is above 26.4 in binary floats
        ("26.41", "24 V ± 10 %", FAIL),
        ("21.60", "24 V ± 10 %", PASS),
    ],
)
def test_a_value_on_a_limit_passes(text: str, limits: str, outcome: VerdictOutcome) -> None:
    assert judge(limits).judge(display(*[text] * 5)).outcome is outcome


def test_a_sum_that_binary_floats_cannot_hold_does_not_flip() -> None:
    assert 0.1 + 0.2 > 0.3
    around = replace(parse_limits("within 0.2 V of G1").around(Decimal("0.10"), "V", "0.10 V"), text="0.1 V + 0.2 V")
    for text, outcome in (("0.30", PASS), ("0.31", FAIL), ("-0.10", PASS), ("-0.11", FAIL)):
        assert Judge(around, Decision(), meter()).judge(display(*[text] * 3)).outcome is outcome


@given(st.integers(-5999, 5999), st.integers(0, 4), st.integers(0, 3), st.sampled_from((">=", "<=")))
def test_more_digits_behind_a_limit_mean_nothing(counts: int, decimals: int, more: int, sign: str) -> None:
    limit = Decimal(counts).scaleb(-decimals)
    seen = shown(limit.quantize(Decimal(1).scaleb(-decimals - more)))
    step = seen.resolution if sign == "<=" else -seen.resolution
    known = meter(sheet(row("60000", plain(seen.resolution), "0.5", "2")))
    judged = judge(f"{sign} {plain(limit)} V", Rule.SIMPLE, known)
    assert judged.judge_shown(seen).outcome is PASS
    assert judged.judge_shown(replace(seen, value=seen.value + step)).outcome is FAIL


# Units

SPELLINGS = (("V", 0), ("mV", -3), ("kV", 3))


@given(
    st.integers(20_000, 31_000),
    st.tuples(st.integers(200, 240), st.integers(260, 300)),
    st.sampled_from(Rule),
    st.sampled_from((None, "0.2", "0.17")),
)
def test_prefixes_mean_nothing(millivolts: int, tenths: tuple[int, int], rule: Rule, most: str | None) -> None:
    """The same value, limits and largest uncertainty, written with every prefix: one judgement."""
    known = meter(sheet(row("60", "0.001", "0.5", "20")))
    made = set()
    for unit, power in SPELLINGS:
        low, high = (plain(Decimal(each).scaleb(-1 - power)) for each in tenths)
        limits = parse_limits(f"{low}..{high} {unit}")
        allowed = parse_quantity(f"{plain(Decimal(most).scaleb(-power))} {unit}") if most else None
        decision = Decision(rule, max_uncertainty=allowed.value if allowed else None, max_unit="V" if allowed else None)
        for _, scale in SPELLINGS:
            texts = [f"{Decimal(millivolts).scaleb(-3 - scale):f}"] * 5
            judgement = Judge(limits, decision, known).judge(display(*texts, scale=scale))
            assessment = judgement.assessment
            made.add((judgement.outcome, assessment.expanded_uncertainty, assessment.probability))
    assert len(made) == 1


@given(touches_and_limits, st.sampled_from((-6, -3, 3, 6)), rules)
def test_a_meter_of_another_size_scales_the_uncertainty_and_nothing_else(
    case: tuple[Touch, Limits], power: int, rule: Rule
) -> None:
    touch, limits = case
    size = Decimal(1).scaleb(power)
    scaled = Touch(
        replace(touch.range, full=touch.range.full * size, resolution=touch.range.resolution * size),
        replace(
            touch.seen,
            value=touch.seen.value * size,
            resolution=touch.seen.resolution * size,
            deviation=touch.seen.deviation * size,
        ),
        touch.celsius,
        touch.source_ohms,
    )
    low, high = (None if end is None else end * size for end in (limits.low, limits.high))
    here, there = touch.judge(limits, Decision(rule)), scaled.judge(Limits("near", low, high, "V"), Decision(rule))
    assert here.outcome is there.outcome
    assert here.assessment.standard_uncertainty is not None
    assert there.assessment.standard_uncertainty is not None
    assert float(there.assessment.standard_uncertainty) == pytest.approx(
        float(here.assessment.standard_uncertainty * size), rel=1e-15
    )
    assert there.assessment.probability == pytest.approx(here.assessment.probability, abs=QUADRATURE)


# Rules: JCGM 106:2012, clause 8


@given(touches_and_limits)
def test_each_rule_passes_what_a_stricter_one_does_and_fails_what_a_milder_one_does(case: tuple[Touch, Limits]) -> None:
    touch, limits = case
    guarded, simple, rejection = (
        touch.judge(limits, Decision(rule)).outcome for rule in (Rule.GUARDED, Rule.SIMPLE, Rule.GUARDED_REJECTION)
    )
    assert UNCLEAR not in (simple, rejection)
    assert (guarded is PASS) <= (simple is PASS) <= (rejection is PASS)
    assert (rejection is FAIL) <= (guarded is FAIL) <= (simple is FAIL)
    assert (guarded is FAIL) == (rejection is FAIL)


@given(st.data(), touches_and_limits)
def test_a_better_meter_never_makes_a_clear_verdict_unclear(data: st.DataObject, case: tuple[Touch, Limits]) -> None:
    """By a coverage factor. With a coverage it can: fewer effective degrees of freedom may outweigh a smaller u."""
    touch, limits = case
    decision = data.draw(decisions(touch, share=True))
    here = touch.range
    finer = data.draw(st.sampled_from((1, 2, 5, 10, 100)))
    better = replace(
        here,
        reading=here.reading * data.draw(st.integers(0, 100)) / 100,
        counts=here.counts * data.draw(st.integers(0, 100)) / 100,
        resolution=here.resolution / finer,
    )
    there = replace(touch, range=better, seen=replace(touch.seen, resolution=better.resolution))
    before, after = touch.judge(limits, decision), there.judge(limits, decision)
    assert after.budget is not None
    assert before.budget is not None
    assert after.budget.standard <= before.budget.standard
    if before.outcome is not UNCLEAR:
        assert after.outcome is not UNCLEAR


# Budgets: GUM 4.3.10, 5.1.2, F.2.2.1


@given(touches_and_limits)
def test_the_budget_adds_up_to_the_standard_uncertainty(case: tuple[Touch, Limits]) -> None:
    touch, limits = case
    assessment = touch.judge(limits, Decision()).assessment
    lines = [float(line.standard_uncertainty) for line in assessment.budget]
    assert float(assessment.standard_uncertainty or 0) == pytest.approx(sqrt(sum(u * u for u in lines)), rel=1e-14)
    assert assessment.expanded_uncertainty == 2 * (assessment.standard_uncertainty or 0)
    stated = {line.name for line in assessment.budget}
    expected = {"accuracy", "resolution"}
    expected |= {"scatter"} if touch.seen.deviation else set()
    expected |= {"temperature"} if touch.celsius else set()
    expected |= {"loading"} if touch.source_ohms else set()
    assert stated == expected
    assert all(line.about for line in assessment.budget)


@given(st.integers(0, 200), st.integers(2, 12))
def test_resolution_is_not_counted_twice(hundredths: int, readings: int) -> None:
    """What rounding puts into the scatter is taken off it (GUM 4.3.10); the median, a rounded value, keeps its own."""
    d, deviation = 0.01, 0.01 * hundredths / 100
    seen = shown("24.00", deviation=str(deviation), readings=readings)
    lines = {line.name: line for line in budget_of(seen, meter()).components}
    assert lines["resolution"].shape is Shape.RECTANGULAR
    assert float(lines["resolution"].standard_uncertainty) == pytest.approx(d / sqrt(12), rel=1e-12)
    if deviation:
        left = sqrt(max(deviation**2 - d**2 / 12, 0) * pi / 2 / readings)
        assert float(lines["scatter"].standard_uncertainty) == pytest.approx(left, rel=1e-4, abs=1e-9)


def test_one_reading_has_the_whole_resolution_whatever_scatter_is_stated() -> None:
    lines = {line.name: line for line in budget_of(shown("24.00", deviation="0.05", readings=1), meter()).components}
    assert lines["resolution"].standard_uncertainty == pytest.approx(Decimal("0.01") / Decimal(12).sqrt())
    assert (lines["scatter"].shape, lines["scatter"].dof) == (Shape.NORMAL, None)
    assert combined(lines.values()) > Decimal("0.05")


# Advice


@given(st.data(), touches_and_limits)
def test_there_is_advice_where_a_verdict_is_in_doubt_and_nowhere_else(
    data: st.DataObject, case: tuple[Touch, Limits]
) -> None:
    touch, limits = case
    judgement = touch.judge(limits, data.draw(decisions(touch, share=True)))
    unproven = judgement.outcome is PASS and not limits.accept(touch.seen.value)  # by guarded rejection
    assert (judgement.outcome is UNCLEAR or unproven) == bool(judgement.assessment.advice)
    assert judgement.reason.endswith(".")


@pytest.mark.parametrize("instrument", [None, meter(), meter(sheet(row("6", "0.001", "0.5", "2")))])
@pytest.mark.parametrize("rule", Rule)
def test_a_display_that_wavers_across_a_limit_gets_advice_too(instrument: Instrument | None, rule: Rule) -> None:
    """With a known meter, with none, and with one whose sheet does not cover the value."""
    judged = Judge(parse_limits(">= 22.0 V"), Decision(rule), instrument)
    judgement = judged.judge(display("21.99", "22.00", "21.99", "22.00", "21.99"))
    if judgement.outcome is UNCLEAR:
        assert judgement.assessment.advice
    else:
        assert rule is Rule.GUARDED_REJECTION  # 0.01 V outside proves no fault
        assert instrument == meter()


def _coarse(value: str, deviation: str = "0") -> Shown:
    """24 V on the 600 V range."""
    return shown(value, "0.1", deviation=deviation)


@given(st.integers(228, 300), st.sampled_from(("0", "0.05", "0.2")), st.sampled_from((None, "5")), rules)
def test_a_lower_range_settles_it_where_the_advice_says_so(
    tenths: int, deviation: str, celsius: str | None, rule: Rule
) -> None:
    """Said of the very value shown; on the lower range it may show other digits."""
    seen = _coarse(str(Decimal(tenths) / 10), deviation)
    judged = judge("24.0..29.0 V", rule, meter(celsius=celsius))
    hint = judged.judge_shown(seen).assessment.advice or ""
    lower = judged.judge_shown(replace(seen, resolution=Decimal("0.01")))
    assert ("there it would be clear" in hint) <= (lower.outcome is not UNCLEAR)


def test_a_lower_range_settles_a_value_that_this_one_cannot() -> None:
    judged = judge("24.0..29.0 V", Rule.GUARDED)
    judgement = judged.judge_shown(_coarse("24.3"))
    assert (judgement.outcome, judgement.assessment.range) == (UNCLEAR, "600 V")
    assert judgement.assessment.advice == "Use a lower range, 60 V: there it would be clear."
    assert judged.judge_shown(shown("24.30")).outcome is PASS


def test_a_lower_range_is_not_promised_where_the_loading_remains() -> None:
    judged = judge("24.0..29.0 V", Rule.GUARDED, source_ohms="200000")
    hint = judged.judge_shown(_coarse("24.3")).assessment.advice or ""
    assert judged.judge_shown(shown("24.30")).outcome is UNCLEAR
    assert "there it would be clear" not in hint


def test_a_lower_range_is_not_promised_where_the_coverage_factor_grows_there() -> None:
    """Two readings: on the lower range the scatter counts for more, so the degrees of freedom fall and k rises."""
    decision = Decision(Rule.GUARDED, coverage=Decimal("0.95"))
    judged = judge("24.0..29.0 V", decision)
    unkept = []
    for tenths in range(240, 252):
        seen = shown(Decimal(tenths) / 10, "0.1", deviation="0.06", readings=2)
        hint = judged.judge_shown(seen).assessment.advice or ""
        lower = judged.judge_shown(replace(seen, resolution=Decimal("0.01")))
        if "there it would be clear" in hint and lower.outcome is UNCLEAR:
            unkept.append(seen.value)
    assert unkept == []


_WITHIN = re.compile(r"one within ±([\d.]+) V here")


def _with_meter_within(touch: Touch, limit_of_error: Decimal, resolution: Decimal) -> Touch:
    """The same touch, by a meter whose limit of error is that one, whatever it reads."""
    made = Range(touch.range.full, resolution, ZERO, limit_of_error / resolution, touch.range.impedance)
    return replace(touch, range=made, seen=replace(touch.seen, resolution=resolution), celsius=None)


@given(touches(scatter=False), st.integers(1, 99), st.sampled_from(("low", "high", "allowed")))
def test_a_meter_within_what_the_advice_asks_for_settles_it(touch: Touch, percent: int, what: str) -> None:
    """A value nearer to a limit than U, or U above what is allowed; a meter with the limit of error asked for."""
    touch = replace(touch, celsius=None, source_ohms=None)
    expanded = touch.judge(Limits("any", unit="V"), Decision()).assessment.expanded_uncertainty
    assert expanded is not None
    less = (expanded * percent / 100).quantize(touch.count / 1000)
    at = touch.seen.value
    limits = Limits("near", at - less if what != "high" else None, at + less if what == "high" else None, "V")
    decision = Decision(Rule.GUARDED)
    if what == "allowed":
        decision = Decision(Rule.SIMPLE, max_uncertainty=less, max_unit="V")
    judgement = touch.judge(limits, decision)
    assert judgement.outcome is UNCLEAR
    hint = judgement.assessment.advice or ""
    asked = _WITHIN.search(hint)
    if asked is None:  # half a count alone is too much
        assert "of finer resolution" in hint
        assert touch.count / Decimal(3).sqrt() >= less
        return
    within = Decimal(asked[1])
    assert within < touch.range.limit_of_error(at)
    assert _with_meter_within(touch, within, touch.count).judge(limits, decision).outcome is not UNCLEAR


@pytest.mark.parametrize(
    ("deviation", "source_ohms", "resolution"),
    [("0", None, "0.01"), ("0.05", None, "0.01"), ("0", "20000", "0.01"), ("0", None, "0.05")],
    ids=["nothing else", "some scatter", "some loading", "a coarse display"],
)
def test_the_better_meter_asked_for_has_room_for_what_stays(
    deviation: str, source_ohms: str | None, resolution: str
) -> None:
    """24.10 V on ≥ 24.0 V, guarded: scatter, loading and resolution are there with the better meter as well."""
    here = row("60", resolution, "0.5", "2", impedance=Decimal("1e7"))
    touch = Touch(here, shown("24.10", resolution, deviation=deviation), None, source_ohms)
    limits, decision = parse_limits(">= 24.0 V"), Decision(Rule.GUARDED)
    judgement = touch.judge(limits, decision)
    assert judgement.outcome is UNCLEAR
    asked = _WITHIN.search(judgement.assessment.advice or "")
    assert asked is not None
    better = _with_meter_within(touch, Decimal(asked[1]), Decimal(resolution))
    assert better.judge(limits, decision).outcome is not UNCLEAR


# What is said has to be true


def test_a_display_that_wavers_is_not_blamed_on_a_meter_that_is_good_enough() -> None:
    """Simple, at most 0.5 V: U is 0.16 V, so what stops the verdict is the display that crosses the limit."""
    decision = Decision(Rule.SIMPLE, max_uncertainty=Decimal("0.5"), max_unit="V")
    judgement = judge("22.0..29.0 V", decision).judge(display(*["21.99", "22.00"] * 4))
    expanded = judgement.assessment.expanded_uncertainty
    assert judgement.outcome is UNCLEAR
    assert expanded is not None
    assert expanded < Decimal("0.5")
    assert "this step allows" not in judgement.reason
    asked = _WITHIN.search(judgement.assessment.advice or "")
    assert asked is None or Decimal(asked[1]) < COMMON.ranges[Function.DC_VOLTAGE][2].limit_of_error(Decimal(22))


@pytest.mark.parametrize("rule", [Rule.GUARDED, Rule.GUARDED_REJECTION])
@pytest.mark.parametrize("text", ["OL", "not OL"])
def test_a_number_is_not_some_volts_inside_or_outside_of_overload(text: str, rule: Rule) -> None:
    judgement = judge(text, rule).judge(display(*["24.00"] * 5))
    assert judgement.outcome is (FAIL if text == "OL" else PASS)
    assert "by more than" not in judgement.reason


def test_a_share_of_no_width_at_all_forbids_no_number() -> None:
    """`not OL` accepts any number, however uncertain: there is no width to be a share of."""
    decision = Decision(Rule.SIMPLE, max_uncertainty=Decimal(10), max_unit="%")
    assert judge("not OL", decision).judge(display(*["24.00"] * 5)).outcome is PASS


def test_a_meter_without_a_sheet_for_the_value_is_judged_by_the_simple_rule_only() -> None:
    uncovered: Sheet = sheet(row("6", "0.001", "0.5", "2"))
    for decision, outcome in (
        (Decision(Rule.SIMPLE), PASS),
        (Decision(Rule.SIMPLE, max_uncertainty=Decimal(1), max_unit="V"), UNCLEAR),
        (Decision(Rule.GUARDED), UNCLEAR),
        (Decision(Rule.GUARDED_REJECTION), UNCLEAR),
    ):
        judgement = judge("22.0..29.0 V", decision, meter(uncovered)).judge(display(*["24.00"] * 5))
        assert judgement.outcome is outcome
        assert judgement.assessment.probability is None
