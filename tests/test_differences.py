"""Two touches held against each other: what cancels in their difference, by simulated meters in NumPy."""

from dataclasses import dataclass, replace
from decimal import Decimal
from math import sqrt

import numpy as np
import numpy.typing as npt
import pytest

from judging_samples import TEN_MOHM, judge, meter, row, sheet, shown
from meterlink.instrument import Climate, Instrument, Range
from meterlink.judging.budget import Budget, Shown, budget_of
from meterlink.judging.difference import SHARED_FOR_NS, difference
from meterlink.judging.judge import Judge
from meterlink.judging.rules import Decision, Rule
from meterlink.judging.uncertainty import combined
from meterlink.limits import Limits, parse_limits
from meterlink.outcome import VerdictOutcome
from meterlink.reading import NS_PER_S, Function

Floats = npt.NDArray[np.float64]
METERS = 400_000
READINGS = 41
"""Of a touch with scatter: so many that the median scatters √(π/2) times as much as the mean, to 2 %."""


@dataclass(frozen=True, slots=True)
class Pair:
    """Two touches, and a sheet's ±(percent + counts)."""

    one: str
    other: str
    percent: str = "0.5"
    counts: str = "2"
    noise: float = 0.0
    """Standard deviation of one reading of each touch, in V."""

    def touch(self, text: str, at_s: float = 0) -> Shown:
        """What the display showed."""
        return shown(text, deviation=str(self.noise), readings=READINGS, at_s=at_s)

    def meter(self, name: str | None = "DMM-1", at_s: int = 0) -> Instrument:
        """A meter with one range in the digits of the first touch."""
        resolution = self.touch(self.one).resolution
        return meter(
            sheet(row(str(6000 * resolution), str(resolution), self.percent, self.counts)), name=name, at_s=at_s
        )

    def budget(self, at_s: float = 60) -> Budget:
        """What the product says of the first less the other, touched that much earlier."""
        known = self.meter()
        return difference(budget_of(self.touch(self.one, at_s), known), budget_of(self.touch(self.other), known))

    def errors(self, *, gain_shared: bool) -> Floats:
        """Errors of the difference, of many meters.

        A meter that is used for both has one gain error, and another error of so many counts each time. Of two meters
        nothing is known but that each keeps its limit of error.
        """
        generator = np.random.default_rng(4)
        resolution, counts, share = (
            float(self.touch(self.one).resolution),
            float(self.counts),
            float(self.percent) / 100,
        )
        gain = generator.uniform(-share, share, METERS)

        def touched(value: float) -> Floats:
            limit = counts * resolution + (0 if gain_shared else share * abs(value))
            hidden = sqrt(3 * max(resolution**2 / 12 - self.noise**2, 0))
            error = generator.uniform(-limit, limit, METERS) + generator.uniform(-hidden, hidden, METERS)
            if gain_shared:
                error += value * gain
            if self.noise:
                scatter = generator.normal(0, self.noise, (METERS // 10, READINGS))
                error += np.tile(np.median(scatter, axis=1), 10)
            return error

        return touched(float(self.one)) - touched(float(self.other))


PAIRS = {
    "across a fuse": Pair("25.41", "25.39"),
    "equal": Pair("24.00", "24.00"),
    "half the voltage": Pair("24.00", "12.00"),
    "of two signs": Pair("24.00", "-24.00"),
    "dead on one side": Pair("24.00", "0.01", counts="5"),
    "all gain": Pair("24.00", "20.00", percent="3", counts="1"),
    "a coarse display": Pair("241", "239", percent="0.1", counts="1"),
    "scattered": Pair("25.41", "25.37", noise=0.04),
    "hardly scattered": Pair("25.41", "25.37", noise=0.002),
}


@pytest.mark.parametrize("pair", PAIRS.values(), ids=list(PAIRS))
def test_minutes_apart_the_gain_cancels_but_for_the_difference_of_the_readings(pair: Pair) -> None:
    simulated = float(pair.errors(gain_shared=True).std())
    assert float(pair.budget().standard) == pytest.approx(simulated, rel=0.03 if pair.noise else 0.01)


@pytest.mark.parametrize("pair", PAIRS.values(), ids=list(PAIRS))
def test_two_meters_share_nothing(pair: Pair) -> None:
    made = difference(
        budget_of(pair.touch(pair.one), pair.meter("DMM-1")), budget_of(pair.touch(pair.other), pair.meter("DMM-2"))
    )
    simulated = float(pair.errors(gain_shared=False).std())
    assert float(made.standard) == pytest.approx(simulated, rel=0.03 if pair.noise else 0.01)
    assert made.cancelled is None


@pytest.mark.parametrize("name", ["across a fuse", "half the voltage", "scattered"])
@pytest.mark.parametrize("width", [0.5, 1.0, 2.0])
def test_the_probability_of_a_difference_is_that_of_the_simulation(name: str, width: float) -> None:
    """Limits so many standard uncertainties to each side of what was read, one of them a little nearer."""
    pair = PAIRS[name]
    errors = pair.errors(gain_shared=True)
    read = Decimal(pair.one)
    reach = Decimal(repr(round(width * float(errors.std()), 6)))
    limits = Limits("", read - reach, read + reach * 9 / 10, "V")
    known = pair.meter()
    judged = Judge(limits, Decision(), known, budget_of(pair.touch(pair.other), known))
    made = judged.judge_shown(pair.touch(pair.one, at_s=60)).assessment
    simulated = np.count_nonzero((-errors >= -float(reach)) & (-errors <= 0.9 * float(reach))) / METERS
    independent = METERS // 10 if pair.noise else METERS
    tolerance = 4 * sqrt(simulated * (1 - simulated) / independent) + (0.006 if pair.noise else 0)  # √(π/2) for 41
    assert made.probability == pytest.approx(simulated, abs=tolerance)


def _shares(one: Budget, other: Budget) -> bool:
    made = difference(one, other)
    independent = combined([*one.components, *other.components])
    if made.cancelled is None:
        assert made.standard == pytest.approx(independent, rel=Decimal("1e-12"))
        return False
    assert made.standard < independent
    return True


def _budget(text: str = "25.41", *, at_s: float = 0, known: Instrument | None = None) -> Budget:
    return budget_of(shown(text, at_s=at_s), known or meter())


@pytest.mark.parametrize(("apart_s", "shared"), [(1, True), (3600, True), (3600.001, False), (7200, False)])
def test_the_gain_is_shared_for_an_hour(apart_s: float, shared: bool) -> None:
    """An hour: common practice, no source. In either order."""
    assert SHARED_FOR_NS == 3600 * NS_PER_S
    assert _shares(_budget(at_s=apart_s), _budget()) is shared
    assert _shares(_budget(), _budget(at_s=apart_s)) is shared


def test_ranges_meters_and_functions_share_nothing() -> None:
    assert _shares(_budget("25.41"), _budget("25.39"))
    assert not _shares(_budget("25.41"), _budget("25.4"))  # 60 V and 600 V
    assert not _shares(_budget("5.999"), _budget("6.01"))
    assert not _shares(_budget(), _budget(known=meter(name="DMM-2")))
    assert not _shares(_budget(), _budget(known=meter(sheet(*_rows(), name="other"))))
    mixed = replace(
        meter().sheet, ranges={function: _rows() for function in (Function.DC_VOLTAGE, Function.AC_VOLTAGE)}
    )
    ac = budget_of(shown("25.41", function=Function.AC_VOLTAGE), meter(mixed))
    assert not _shares(ac, budget_of(shown("25.41"), meter(mixed)))


def _rows() -> tuple[Range, ...]:
    return meter().sheet.ranges[Function.DC_VOLTAGE]


def test_a_meter_without_a_name_is_told_by_its_device() -> None:
    first, again = (replace(meter(name=None, at_s=at_s), identity="usb:1") for at_s in (0, 30))
    assert _shares(_budget(known=first), _budget(known=again))
    assert not _shares(_budget(known=first), _budget(known=replace(again, identity="usb:2")))
    assert not _shares(_budget(known=first), _budget())
    moved = (replace(meter(at_s=at_s), identity=f"usb:{at_s}") for at_s in (0, 30))
    assert _shares(*(_budget(known=each) for each in moved))  # a name tells, whatever cable it is on


def test_what_cancelled_is_named_with_its_size() -> None:
    """0.5 % of 25.41 V, rectangular (GUM 4.3.7)."""
    cancelled = difference(_budget("25.41", at_s=60), _budget("25.39")).cancelled
    assert cancelled is not None
    assert cancelled.name == "gain, common to both touches"
    assert float(cancelled.standard_uncertainty) == pytest.approx(0.005 * 25.41 / sqrt(3), rel=1e-12)
    names = [line.name for line in difference(_budget("25.41", at_s=60), _budget("25.39")).components]
    assert names == [
        "gain, what is left",
        "counts, this touch",
        "counts, other touch",
        "resolution, this touch",
        "resolution, other touch",
    ]


def test_agreeing_points_are_told_apart_better_than_two_meters_could() -> None:
    """0.3 V between two sides of a fuse at 25 V, ±(0.5 % + 2 counts): 0.07 V to be off by, and not 0.24 V."""
    limits = Limits("25.39 V ± 0.3 V", Decimal("25.09"), Decimal("25.69"), "V")
    known = meter()
    for partner, expanded, outcome in (
        (known, "0.033", VerdictOutcome.PASS),
        (meter(name="DMM-2"), "0.239", VerdictOutcome.UNCLEAR),
    ):
        judged = Judge(limits, Decision(Rule.GUARDED), known, _budget("25.39", known=partner))
        judgement = judged.judge_shown(shown("25.55", at_s=60))
        assert judgement.outcome is outcome
        assert judgement.assessment.expanded_uncertainty == pytest.approx(Decimal(expanded), rel=Decimal("0.1"))
        assert (judgement.assessment.cancelled is None) == (outcome is VerdictOutcome.UNCLEAR)


# Two touches that scatter


@pytest.mark.parametrize(("one", "other"), [("0.02", "0.02"), ("0.05", "0.02"), ("0.08", "0.08"), ("0.02", "0.2")])
@pytest.mark.parametrize(("readings", "off"), [(3, 0.06), (5, 0.03), (8, 0.016), (11, 0.012)])
def test_the_scatter_of_two_touches_is_near_that_of_two_t_distributions(
    one: str, other: str, readings: int, off: float
) -> None:
    """Welch and Satterthwaite (GUM G.4.1) put one t for the two of JCGM 101:2008, 6.4.9: how far off, as measured."""
    known = Pair("25.41", "25.39").meter()
    touches = [
        budget_of(shown(text, deviation=deviation, readings=readings), known)
        for text, deviation in (("25.41", one), ("25.39", other))
    ]
    generator = np.random.default_rng(8)
    draws = 400_000
    true = np.zeros(draws)
    for deviation in (one, other):
        unrounded = sqrt(float(deviation) ** 2 - 0.01**2 / 12)
        true += generator.standard_t(readings - 1, draws) * sqrt(np.pi / 2) * unrounded / sqrt(readings)
        true += generator.uniform(-0.005, 0.005, draws)
        true += generator.uniform(-0.02, 0.02, draws)
    true += generator.uniform(-0.005 * 0.02, 0.005 * 0.02, draws)
    for width in (0.02, 0.05, 0.1, 0.3):
        limits = Limits("", high=Decimal("25.41") + Decimal(str(width)), unit="V")
        seen = shown("25.41", deviation=one, readings=readings)
        made = Judge(limits, Decision(), known, touches[1]).judge_shown(seen).assessment
        assert made.probability == pytest.approx(float((true <= width).mean()), abs=off)
        assert made.dof is not None


# What must not be lost


def test_what_the_cold_adds_to_the_gain_cancels_only_as_the_gain_does() -> None:
    """24 V and 12 V at -10 °C: 28 K x 0.1 x 0.5 % are 1.4 % of gain, of which 12 V keep theirs."""
    cold = meter(celsius="-10")
    made = difference(budget_of(shown("24.00", at_s=60), cold), budget_of(shown("12.00"), cold))
    generator = np.random.default_rng(5)
    gain = generator.uniform(-0.005, 0.005, METERS) + generator.uniform(-0.014, 0.014, METERS)
    errors = gain * 12.0
    for _ in range(2):
        errors = errors + generator.uniform(-0.02, 0.02, METERS) + generator.uniform(-0.005, 0.005, METERS)
    assert float(made.standard) >= 0.97 * float(errors.std())


def test_a_partner_that_no_sheet_covers_is_not_taken_for_exact() -> None:
    """The other touch read 25.39 V, and nothing is known of its error: nothing can be proven of the difference."""
    low = meter(sheet(row("6", "0.001", "0.5", "2")), name="DMM-2")
    other = budget_of(shown("25.39"), low)
    assert other.range is None
    limits = Limits("25.39 V ± 0.3 V", Decimal("25.09"), Decimal("25.69"), "V")
    judgement = Judge(limits, Decision(Rule.GUARDED), meter(), other).judge_shown(shown("25.41", at_s=60))
    assert judgement.outcome is VerdictOutcome.UNCLEAR


@pytest.mark.parametrize("deviation", ["0", "0.01"])
def test_a_touch_that_agreed_with_one_can_be_what_the_next_agrees_with(deviation: str) -> None:
    """Three points in a row, each held against the one before: the second's error in both, the first's in one only."""
    known = meter()
    first = budget_of(shown("25.41", deviation=deviation), known)
    limits = Limits("25.41 V ± 0.3 V", Decimal("25.11"), Decimal("25.71"), "V")
    seen = [shown(text, deviation=deviation, at_s=at_s) for text, at_s in (("25.40", 60), ("25.39", 120))]
    second = Judge(limits, Decision(Rule.GUARDED), known, first).judge_shown(seen[0])
    third = Judge(limits, Decision(Rule.GUARDED), known, second.budget).judge_shown(seen[1])
    assert second.assessment.standard_uncertainty is not None
    assert third.assessment.standard_uncertainty == pytest.approx(
        second.assessment.standard_uncertainty, rel=Decimal("1e-6")
    )


def test_a_lower_range_is_not_promised_where_the_other_touch_stays_what_it_is() -> None:
    """Both at 600 V: this one on 60 V no longer shares the gain, so it gets worse, not better."""
    known = meter()
    other = budget_of(shown("24.3"), known)
    limits = Limits("24.3 V ± 0.5 V", Decimal("23.8"), Decimal("24.8"), "V")
    unkept = []
    for tenths in range(232, 255):
        judged = Judge(limits, Decision(Rule.GUARDED), known, other)
        seen = shown(Decimal(tenths) / 10, "0.1", at_s=60)
        hint = judged.judge_shown(seen).assessment.advice or ""
        lower = judged.judge_shown(replace(seen, resolution=Decimal("0.01")))
        if "there it would be clear" in hint and lower.outcome is VerdictOutcome.UNCLEAR:
            unkept.append(seen.value)
    assert unkept == []


def test_loading_and_climate_of_a_single_touch_stay_what_they_are() -> None:
    """The difference is judged, the budget of one touch is not changed by it."""
    known = meter(sheet(row("60", "0.01", "0.5", "2", impedance=TEN_MOHM, climate=Climate())), celsius="5")
    one = budget_of(shown("24.00"), known, Decimal(50_000))
    before = one.components
    made = difference(one, one)
    assert one.components == before
    assert [line.name for line in made.components if line.name.startswith("loading")] == [
        "loading, this touch",
        "loading, other touch",
    ]
    assert judge(">= 22 V", Rule.SIMPLE, known).judge_shown(shown("24.00")).outcome is VerdictOutcome.PASS
    assert parse_limits("within 0.3 V of G1").relative_to == "G1"
