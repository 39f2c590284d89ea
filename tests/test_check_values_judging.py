"""The judging core against published figures and small worked examples, each with its source in the data.

`data/check-values-judging.json` says of each figure what it is, where it comes from, and whether it was seen printed
there ("published"), recalled ("memory") or worked out from a stated formula ("common practice"). Tolerances are
absolute; one of null makes the figure an upper bound. The sections named below are those of the sources.

A check returns what the product makes of an entry's inputs. Beside the product stand NumPy and SciPy: covariances,
slopes, priors and integrals are theirs.
"""

import json
import re
from bisect import bisect_left
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from scipy import integrate, optimize, stats

from judging_samples import TEN_MOHM, ZERO, judge, meter, parts, row, sheet, shown
from meterlink.instrument import Range
from meterlink.judging.budget import budget_of
from meterlink.judging.distribution import coverage_factor, inside
from meterlink.judging.rules import Decision, Rule, Zones, zones
from meterlink.judging.uncertainty import (
    Component,
    Shape,
    combined,
    effective_dof,
    propagated,
    rectangular,
    series,
    stated,
)
from meterlink.limits import Limits
from meterlink.outcome import VerdictOutcome
from meterlink.procedure.load import load_procedure, shipped
from meterlink.procedure.model import ReadingStep

Found = Decimal | float | Sequence[Decimal | float | None]
"""What was found; None in a list where the product has nothing to say of that place."""
Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Entry:
    """One figure. Its numbers are exact decimals."""

    id: str
    quantity: str
    inputs: Mapping[str, Any]
    expected: Decimal | Sequence[Decimal]
    tolerance: Decimal | None
    """Absolute; None where `expected` is an upper bound."""
    unit: str
    source: str
    provenance: str

    def number(self, name: str) -> Decimal:
        """One of the inputs."""
        value = self.inputs[name]
        assert isinstance(value, Decimal)
        return value

    def optional(self, name: str) -> Decimal | None:
        """One of the inputs, where it is there."""
        return self.number(name) if name in self.inputs else None

    def numbers(self, name: str) -> list[Decimal]:
        """A list among the inputs, or among those of the entry that it names."""
        value = self.inputs[name]
        if isinstance(value, str):
            return BY_ID[value].numbers(name)
        assert isinstance(value, list)
        return value


_DATA = Path(__file__).parent / "data" / "check-values-judging.json"
ENTRIES = [
    Entry(**each) for each in json.loads(_DATA.read_text(encoding="utf-8"), parse_float=Decimal, parse_int=Decimal)
]
BY_ID = {entry.id: entry for entry in ENTRIES}


# Conformance probability: JCGM 106:2012, clause 7, and its table 1


def conformance(entry: Entry) -> Found:
    error = parts(normal=entry.number("u"))
    return inside(error, entry.number("y"), entry.optional("T_L"), entry.optional("T_U"))


def one_sided_quantile(entry: Entry) -> Found:
    share = entry.number("p_c")
    z = _one_sided(share)
    assert inside(parts(normal=1), ZERO, None, z) == pytest.approx(float(share), abs=1e-12)
    return z


def _one_sided(share: Decimal) -> Decimal:
    """The z below which that share of a normal distribution lies: what is left out lies on one side only."""
    return coverage_factor(2 * share - 1, None)


# Guarded rejection: JCGM 106:2012, 8.3.3


def slowest_speed_that_fails(entry: Entry) -> Found:
    """A meter of 2 % of the reading, speeds taken for volts: the first of 100.00, 100.01... that is proven too fast."""
    percent = entry.number("u_rel") * 100 * Decimal(3).sqrt()
    gauge = meter(sheet(row("1000", "0.01", str(percent), "0")))
    decision = Decision(Rule.GUARDED_REJECTION, _one_sided(entry.number("p")))
    judged = judge(f"<= {entry.number('T_U')} V", decision, gauge)

    def fails(hundredths: int) -> bool:
        return judged.judge_shown(shown(Decimal(hundredths).scaleb(-2))).outcome is VerdictOutcome.FAIL

    return Decimal(bisect_left(range(12_000), True, lo=10_000, key=fails)).scaleb(-2)


# Global risks: JCGM 106:2012, clause 9. The share of the process that lies outside and is accepted (consumer's risk),
# or inside and is rejected (producer's): the prior, integrated over what the product's zones accept.


@dataclass(frozen=True, slots=True)
class Process:
    """What a process produces, and how it is measured."""

    density: Callable[[float], float]
    low: Decimal | None
    high: Decimal
    ends: tuple[float, float]
    """Beyond them nothing is produced, but for less than 1e-12."""
    u: Decimal
    """Standard uncertainty of the measurement, normal."""

    def zones(self, w: Decimal) -> Zones:
        """The product's borders for a guard band: guarded where it is positive, rejection guarded where negative."""
        rule = Rule.SIMPLE if not w else Rule.GUARDED if w > 0 else Rule.GUARDED_REJECTION
        decision = Decision(rule, coverage_factor=abs(w) / self.u)
        return zones(Limits("", self.low, self.high), decision, decision.factor(None) * self.u)

    def risks(self, w: Decimal) -> tuple[float, float]:
        """Consumer's and producer's risk."""
        borders = self.zones(w)

        def accepted(true: float) -> float:
            return inside(parts(normal=self.u), Decimal(true), borders.pass_low, borders.pass_high)

        inner = (self.ends[0] if self.low is None else float(self.low), float(self.high))
        outer = [(inner[1], self.ends[1])] + ([] if self.low is None else [(self.ends[0], inner[0])])
        false_accepts = sum(_integral(lambda x: self.density(x) * accepted(x), *span) for span in outer)
        return false_accepts, _integral(lambda x: self.density(x) * (1 - accepted(x)), *inner)


def _integral(function: Callable[[float], float], low: float, high: float) -> float:
    return float(integrate.quad(function, low, high, epsabs=1e-9, epsrel=1e-7, limit=200)[0])


def _bearing(entry: Entry) -> Process:
    mean, deviation = float(entry.number("mean")), float(entry.number("sd"))
    made = stats.gamma(a=(mean / deviation) ** 2, scale=deviation**2 / mean)
    u = entry.optional("u_m") or Decimal("0.25")
    return Process(lambda x: float(made.pdf(x)), None, entry.number("T_U"), (0.0, 12.0), u)


def bearing_share_outside(entry: Entry) -> Found:
    """What fails when it is measured without uncertainty."""
    process = _bearing(entry)
    border = process.zones(ZERO).fail_high
    assert border is not None
    return _integral(process.density, float(border), process.ends[1])


def bearing_risk(entry: Entry) -> Found:
    return _risk(entry, _bearing(entry), entry.number("T_U") - entry.number("A_U"))


def resistor_risk(entry: Entry) -> Found:
    low, high = entry.number("T_L"), entry.number("T_U")
    process = _normal_process(entry.number("y0"), entry.number("u0"), low, high, entry.number("u_m"))
    return _risk(entry, process, entry.number("w"))


def accuracy_ratio_risk(entry: Entry) -> Found:
    """Limits ±1; the process such that the stated share lies inside; a test uncertainty ratio by U = 2u."""
    deviation = 1 / coverage_factor(entry.number("in_tolerance_probability"), None)
    process = _normal_process(ZERO, deviation, Decimal(-1), Decimal(1), 1 / (2 * entry.number("TUR")))
    return _risk(entry, process, ZERO)


def _normal_process(mean: Decimal, deviation: Decimal, low: Decimal, high: Decimal, u: Decimal) -> Process:
    made = stats.norm(float(mean), float(deviation))
    reach = 8 * float(deviation)
    return Process(lambda x: float(made.pdf(x)), low, high, (float(mean) - reach, float(mean) + reach), u)


def _risk(entry: Entry, process: Process, w: Decimal) -> float:
    consumer, producer = process.risks(w)
    return producer if "-RP-" in entry.id or entry.id.endswith("pfr") else consumer


# Guard bands: ILAC-G8:09/2019, 4.2 and table 1; ISO 14253-1:2017


def risk_at_the_acceptance_limit(entry: Entry) -> Found:
    return _specific_risk(entry.number("r"), Decimal(2))


def _specific_risk(r: Decimal, k: Decimal) -> float:
    """How likely a value accepted at the very border, w = r U inside the limit, lies outside; u = 1, U = k u."""
    limits = Limits("", high=Decimal(100))
    border = zones(limits, Decision(Rule.GUARDED, coverage_factor=r * k), r * k).pass_high
    assert border is not None
    return inside(parts(normal=1), border, limits.high, None)


def one_sided_factor(entry: Entry) -> Found:
    return _one_sided(entry.number("p")) / entry.number("k")


# 24 V, ±(0.5 % + 2 counts): worked out from GUM 4.3.7, JCGM 106 clause 7, ILAC-G8 table 1


def accuracy_of_a_float_reading(entry: Entry) -> Found:
    seen = shown(str(entry.number("reading")))
    (accuracy,) = (
        each for each in budget_of(seen, meter(sheet(_row_of(entry, "60")))).components if each.name == "accuracy"
    )
    return accuracy.standard_uncertainty


def lower_acceptance_limit(entry: Entry) -> Found:
    k = Decimal(2) if entry.id.endswith("limit") else _one_sided(Decimal("0.95"))
    decision = Decision(Rule.GUARDED, coverage_factor=k)
    border = zones(Limits("", low=entry.number("T_L")), decision, k * entry.number("u")).pass_low
    assert border is not None
    return border


# GUM, chapters 4, 5 and annex F


def voltmeter_limits_of_error(entry: Entry) -> Found:
    """4.3.7, example 2: the second part is a share of the range, here so many counts of a millionth of it."""
    full, counts = entry.number("range"), entry.number("rel_range") * 10**6
    return Range(full, full / 10**6, entry.number("rel"), counts).limit_of_error(entry.number("reading"))


def rectangular_error(entry: Entry) -> Found:
    """4.3.7, 4.4.5."""
    u = rectangular("a", entry.number("a")).standard_uncertainty
    return u**2 if entry.unit == "V^2" else u


def two_lines(entry: Entry) -> Found:
    """5.1.5."""
    u = combined(_normal(entry.number("u_A"), entry.number("u_B")))
    return u**2 if entry.unit == "V^2" else u


def certificate(entry: Entry) -> Found:
    """4.3.3, 4.3.4."""
    factor = entry.optional("k") or entry.number("divisor")
    return stated("certificate", entry.number("U"), factor).standard_uncertainty


def even_chance(entry: Entry) -> Found:
    """4.3.5: as likely inside as outside, 1.48 being 1 over the factor of 50 %."""
    factor = coverage_factor(Decimal("0.5"), None)
    assert 1 / factor == pytest.approx(entry.number("factor"), abs=Decimal("0.005"))
    return stated("even", entry.number("a"), factor).standard_uncertainty


def asymmetric_bounds(entry: Entry) -> Found:
    """4.3.8: rectangular over the whole width, the middle taken for the estimate."""
    return rectangular("a", (entry.number("b_plus") + entry.number("b_minus")) / 2).standard_uncertainty


def triangular_error(entry: Entry) -> Found:
    """4.4.6: a triangular distribution is the sum of two rectangular ones of half its width."""
    return combined(parts([entry.number("a") / 2] * 2))


def twenty_readings(entry: Entry) -> Found:
    """4.4.3."""
    seen = series(entry.numbers("readings"))
    return {"mean": seen.mean, "s": seen.deviation, "sm": seen.of_mean}[entry.id.rpartition("-")[2]]


def resistors_in_series(entry: Entry) -> Found:
    """5.2.2: each compared with the same reference, so all are off together; with r = 0, as if each were off alone."""
    n, variance = int(entry.number("n")), entry.number("u") ** 2
    covariances = [[variance * (1 if i == j else entry.number("r")) for j in range(n)] for i in range(n)]
    return propagated([Decimal(1)] * n, covariances)


def display_step(entry: Entry) -> Found:
    """F.2.2.1."""
    step = entry.number("d")
    seen = shown(10 * step, step, readings=1)
    budget = budget_of(seen, meter(sheet(row(str(100 * step), str(step), "0", "1"))))
    return next(each.standard_uncertainty for each in budget.components if each.name == "resolution")


def scatter_of_the_standard_deviation(entry: Entry) -> Found:
    """4.3.2, note: among thousands of samples of a normal distribution."""
    n = int(entry.number("n"))
    drawn = np.random.default_rng(1).normal(size=(200_000 // n, n))
    deviations = np.array([float(series([Decimal(x) for x in sample]).deviation) for sample in drawn.tolist()])
    return float(deviations.std() / deviations.mean())


# GUM H.1, end gauge


def _normal(*sizes: Decimal) -> list[Component]:
    return [Component("line", size, Shape.NORMAL) for size in sizes]


def _with_dof(entry: Entry, name: str = "u") -> list[Component]:
    """Degrees of freedom are whole numbers here: truncated, as G.4.1 has it."""
    sizes, freedoms = entry.numbers(name), entry.numbers("nu")
    return [Component("line", u, Shape.NORMAL, dof=int(nu)) for u, nu in zip(sizes, freedoms, strict=True)]


def gauge_uncertainty(entry: Entry) -> Found:
    u = combined(_normal(*(entry.number(name) for name in ("u_ls", "u_d", "u_dalpha", "u_dtheta"))))
    return u**2 if entry.unit == "nm^2" else u


def gauge_dof(entry: Entry) -> Found:
    dof = effective_dof(_with_dof(entry))
    assert dof is not None
    return dof


def gauge_factor(entry: Entry) -> Found:
    return coverage_factor(entry.number("p"), int(entry.number("nu")))


def gauge_expanded(entry: Entry) -> Found:
    """The print multiplies the rounded 32 nm."""
    return coverage_factor(BY_ID["A-gumH1-t"].number("p"), 16) * entry.number("u_c")


def gauge_difference(entry: Entry) -> Found:
    return combined(_normal(*entry.numbers("u")))


def gauge_difference_dof(entry: Entry) -> Found:
    """The print puts the rounded 9.7 nm into the formula, so the product's 25.45 is brought to that."""
    lines = _with_dof(entry)
    dof = effective_dof(lines)
    assert dof is not None
    assert dof == pytest.approx(Decimal("25.45"), abs=Decimal("0.01"))
    return dof * (entry.number("u_d") / combined(lines)) ** 4


def gauge_second_order(entry: Entry) -> Found:
    return combined(_normal(entry.number("u_c"), *entry.numbers("second_order")))


# GUM H.2, resistance and reactance from voltage, current and phase read together


@cache
def _impedance() -> tuple[Mapping[str, float], Mapping[str, Floats], Floats]:
    """R, X and Z; their sensitivities to V, I and phase; the covariances of the means (NumPy)."""
    entry = BY_ID["A-gumH2-R"]
    read = [entry.numbers("V"), [each / 1000 for each in entry.numbers("I_mA")], entry.numbers("phi_rad")]
    v, i, phi = (float(series(each).mean) for each in read)
    z, cos, sin = v / i, np.cos(phi), np.sin(phi)
    values = {"R": z * cos, "X": z * sin, "Z": z}
    sensitivities = {
        "R": np.array([cos / i, -z * cos / i, -z * sin]),
        "X": np.array([sin / i, -z * sin / i, z * cos]),
        "Z": np.array([1 / i, -z / i, 0]),
    }
    return values, sensitivities, np.cov(np.array(read, dtype=float)) / 5


def impedance(entry: Entry) -> Found:
    values, sensitivities, covariances = _impedance()
    what = entry.id.removeprefix("A-gumH2-")
    if what in values:
        return values[what]
    if what.startswith("u"):
        return _propagated(sensitivities[what[1:]], covariances)
    return _correlation(sensitivities[what[1]], sensitivities[what[2]], covariances)


def _propagated(sensitivities: Floats, covariances: Floats) -> float:
    rows = [[Decimal(x) for x in each] for each in covariances.tolist()]
    return float(propagated([Decimal(x) for x in sensitivities.tolist()], rows))


def _correlation(one: Floats, other: Floats, covariances: Floats) -> float:
    """From the uncertainties of both and of their sum: u²(a + b) = u²(a) + u²(b) + 2 u(a, b) (GUM 5.2.2)."""
    a, b, both = (_propagated(each, covariances) for each in (one, other, one + other))
    return (both**2 - a**2 - b**2) / (2 * a * b)


# GUM H.3, a straight line through a thermometer's corrections. Each parameter is a weighted sum of the corrections,
# which scatter independently: the weights are NumPy's least squares, the uncertainty is the product's.


@cache
def _line() -> tuple[Mapping[str, float], Mapping[str, Floats], Floats, float]:
    entry = BY_ID["A-gumH3-y1"]
    t, b = (np.array(entry.numbers(name), dtype=float) for name in ("t_degC", "b_degC"))
    weights = np.linalg.pinv(np.column_stack([np.ones_like(t), t - float(entry.number("t0"))]))
    rows = {"y1": weights[0], "y2": weights[1], "b30": weights[0] + 10 * weights[1]}
    values = {name: float(each @ b) for name, each in rows.items()}
    left = b - values["y1"] - values["y2"] * (t - float(entry.number("t0")))
    freedoms = len(b) - 2
    s = float(series([Decimal(x) for x in left.tolist()]).deviation) * ((len(b) - 1) / freedoms) ** 0.5
    return values, rows, np.eye(len(b)) * s**2, s


def straight_line(entry: Entry) -> Found:
    values, rows, covariances, s = _line()
    what = entry.id.removeprefix("A-gumH3-")
    if what == "s":
        return s
    if what == "r":
        return _correlation(rows["y1"], rows["y2"], covariances)
    kind, _, name = what.rpartition("_")
    return _propagated(rows[name], covariances) if kind else values[name]


# GUM, annex G


def product_of_three(entry: Entry) -> Found:
    """G.4.1, relative uncertainties."""
    return combined(_normal(*entry.numbers("u_rel_pct")))


def product_of_three_dof(entry: Entry) -> Found:
    """G.4.1: 19.0 printed, from a rounded uncertainty; not rounded it is 18.9987, which truncates to 18."""
    dof = effective_dof(_with_dof(entry, "u_rel_pct"))
    assert dof is not None
    assert int(dof) == 18
    return dof


def product_of_three_expanded(entry: Entry) -> Found:
    """G.4.1."""
    u = combined(_normal(*BY_ID["A-gumG41-uc"].numbers("u_rel_pct")))
    assert coverage_factor(Decimal("0.95"), 19) == pytest.approx(entry.number("t95_19"), abs=Decimal("0.005"))
    return coverage_factor(Decimal("0.95"), 18) * u


def judged_reliability(entry: Entry) -> Found:
    """G.4.2: ν = (Δu / u)⁻² / 2. A meter's limits of error count as certain here, so the product only hands ν on."""
    dof = effective_dof([Component("judged", Decimal(1), Shape.NORMAL, dof=round(1 / (2 * entry.number("rel") ** 2)))])
    assert dof is not None
    return dof


def student_factors(entry: Entry) -> Found:
    """Table G.2."""
    shares = "0.6827", "0.90", "0.95", "0.9545", "0.99", "0.9973"
    return [coverage_factor(Decimal(share), int(entry.number("nu"))) for share in shares]


# JCGM 101:2008, 9.2.3


def four_rectangular(entry: Entry) -> Found:
    n, u = int(entry.number("n")), entry.number("u")
    lines = parts([u * Decimal(3).sqrt()] * n)

    def miss(x: float) -> float:
        return inside(lines, ZERO, Decimal(-x), Decimal(x)) - 0.95

    return float(optimize.brentq(miss, 1, 6, xtol=1e-9))


def four_as_if_normal(entry: Entry) -> Found:
    lines = parts([entry.number("u") * Decimal(3).sqrt()] * int(entry.number("n")))
    return coverage_factor(Decimal("0.95"), None) * combined(lines)


# Meters: what a sheet says, and what a meter does to a circuit


def limit_of_error(entry: Entry) -> Found:
    reading = entry.number("reading")
    limit = _row_of(entry, "1000").limit_of_error(reading)
    return [reading - limit, reading + limit] if isinstance(entry.expected, list) else limit


def _row_of(entry: Entry, full: str) -> Range:
    return row(full, str(entry.number("resolution")), str(entry.number("pct")), str(entry.number("counts")))


def warm_meter(entry: Entry) -> Found:
    """A range whose limit of error is the stated one at any reading, and the temperature's share on top."""
    base = entry.number("base")
    made = row("60", "0.01", "0", str(base / Decimal("0.01")))
    assert (made.climate.high, made.climate.accuracy_per_kelvin) == (entry.number("T_hi"), entry.number("coef"))
    return made.limit_of_error(Decimal(24), entry.number("T"))


def _loaded(true: Decimal, source: Decimal, impedance: Decimal) -> Decimal:
    """What a meter shows of a voltage, by the product: the loading is a fixed share of what is shown."""
    rows = sheet(row("60", "0.000001", "0.5", "2", impedance=impedance))
    seen = shown("1.000000")
    budget = budget_of(seen, meter(rows), source)
    (loading,) = (each.half_width for each in budget.components if each.name == "loading")
    return true / (1 + loading / seen.value)


def divider_reading(entry: Entry) -> Found:
    one, other = entry.number("R1"), entry.number("R2")
    return _loaded(entry.number("V") * other / (one + other), one * other / (one + other), entry.number("Rm"))


def loading_percent(entry: Entry) -> Found:
    return (_loaded(Decimal(1), entry.number("R_thevenin"), entry.number("Rm")) - 1) * 100


def leak_reading(entry: Entry) -> Found:
    """Behind an open contact: the leak is the source resistance, a coil beside it a divider."""
    leak, coil = entry.number("R_leak"), entry.optional("R_coil")
    share = Decimal(1) if coil is None else coil / (coil + leak)
    return _loaded(entry.number("V") * share, leak * share, entry.number("Rm"))


def bare_tip(entry: Entry) -> Found:
    """Stands in the cautions of the start-up check, in mm."""
    (found,) = re.findall(r"at most (\d+) mm of bare tip", " ".join(load_procedure("start-up").procedure.cautions))
    return Decimal(found)


def leads_in_the_edge_loop(entry: Entry) -> Found:
    """The start-up check allows the leads the upper figure; with it a sound edge passes, and with the lower one too."""
    (text,) = re.findall(r"up to ([\d.]+) Ohm of test leads", load_procedure("start-up").source)
    edge = next(step for step in load_procedure("start-up").procedure.steps if step.id == "edge-loop")
    assert isinstance(edge, ReadingStep)
    assert isinstance(entry.expected, list)
    contacts = 4 * Decimal("0.1")  # switch data sheets
    cable = 20 * Decimal("0.026")  # IEC 60228, class 5, 0.75 mm²
    assert all(edge.limits.accept(contacts + cable + leads) for leads in entry.expected)
    return [None, Decimal(text)]


Check = Callable[[Entry], Found]
CHECKS: Mapping[str, Check] = {
    "A-pc-*": conformance,
    "A-z-*": one_sided_quantile,
    "A-guard-reject-speed": slowest_speed_that_fails,
    "A-bearing-pnc": bearing_share_outside,
    "A-bearing-R*": bearing_risk,
    "A-resistor-*": resistor_risk,
    "A-tur*": accuracy_ratio_risk,
    "A-ilac-*": risk_at_the_acceptance_limit,
    "A-iso14253-factor": one_sided_factor,
    "A-24V-float-u": accuracy_of_a_float_reading,
    "A-24V-float-pc": conformance,
    "A-24V-guarded-limit*": lower_acceptance_limit,
    "A-gum-dvm-a": voltmeter_limits_of_error,
    "A-gum-dvm-u": rectangular_error,
    "A-gum-dvm-var": rectangular_error,
    "A-gum-dvm-uc*": two_lines,
    "A-gum-cert": certificate,
    "A-gum-3sd": certificate,
    "A-gum-50pct": even_chance,
    "A-gum-cu": rectangular_error,
    "A-gum-asym": asymmetric_bounds,
    "A-gum-rect4": rectangular_error,
    "A-gum-tri4": triangular_error,
    "A-gum443-*": twenty_readings,
    "A-gum-series-*": resistors_in_series,
    "A-gum-resolution": display_step,
    "A-gum-smallsample-*": scatter_of_the_standard_deviation,
    "A-gumH1-uc*": gauge_uncertainty,
    "A-gumH1-nu": gauge_dof,
    "A-gumH1-t": gauge_factor,
    "A-gumH1-U": gauge_expanded,
    "A-gumH1-ud": gauge_difference,
    "A-gumH1-nud": gauge_difference_dof,
    "A-gumH1-2nd": gauge_second_order,
    "A-gumH2-*": impedance,
    "A-gumH3-*": straight_line,
    "A-gumG41-uc": product_of_three,
    "A-gumG41-nu": product_of_three_dof,
    "A-gumG41-U": product_of_three_expanded,
    "A-gumG42-*": judged_reliability,
    "A-t-*": student_factors,
    "A-mcm-4rect": four_rectangular,
    "A-mcm-4norm": four_as_if_normal,
    "B-acc-*": limit_of_error,
    "B-tempco": warm_meter,
    "B-load-1M": divider_reading,
    "B-load-1M-pct": loading_percent,
    "B-load-10k": loading_percent,
    "B-leak-*": leak_reading,
    "B-gs38-tip": bare_tip,
    "B-leads": leads_in_the_edge_loop,
}
"""Which check an entry has: by its id, or by how that begins where a star ends the name. None is a catch-all."""


@dataclass(frozen=True, slots=True)
class NotUsed:
    """Why nothing in the product rests on a fact."""

    reason: str
    sign: str
    """What a shipped procedure would say if it came to use it; a pattern."""


_MARKING = "measurement categories are the meter's and the probes' marking; a caution asks for it, with no voltage"
FACTS_NOT_USED: Mapping[str, NotUsed] = {
    "B-gs38-tip-rec": NotUsed("the caution names the longest bare tip allowed, not the advised one", r"\b2 mm\b(?!²)"),
    "B-gs38-fuse": NotUsed("no caution speaks of fused leads", r"500 mA|fused lead"),
    "B-cat-300": NotUsed(_MARKING, r"impulse|\b2500 V"),
    "B-cat-600": NotUsed(_MARKING, r"impulse|\b4000 V"),
    "B-cat-1000": NotUsed(_MARKING, r"impulse|\b12000 V"),
    "B-beep": NotUsed("continuity is judged by the number shown, never by a beep", r"(?i)beep"),
}


def _checks_of(entry: Entry) -> list[str]:
    return [name for name in CHECKS if (entry.id.startswith(name[:-1]) if name.endswith("*") else entry.id == name)]


def test_every_figure_has_exactly_one_check_or_is_listed_as_not_used() -> None:
    assert len(BY_ID) == len(ENTRIES) == 108 + 21
    assert all(entry.id[0] in "AB" for entry in ENTRIES)
    assert {entry.id: len(_checks_of(entry)) for entry in ENTRIES} == {
        entry.id: 0 if entry.id in FACTS_NOT_USED else 1 for entry in ENTRIES
    }
    assert {name for entry in ENTRIES for name in _checks_of(entry)} == set(CHECKS)


def test_the_facts_that_nothing_rests_on_are_these() -> None:
    assert list(FACTS_NOT_USED) == [
        "B-gs38-tip-rec",
        "B-gs38-fuse",
        "B-cat-300",
        "B-cat-600",
        "B-cat-1000",
        "B-beep",
    ]
    texts = "\n".join(load_procedure(name).source for name in shipped())
    assert [name for name, fact in FACTS_NOT_USED.items() if re.search(fact.sign, texts)] == []


@pytest.mark.parametrize("entry", [entry for entry in ENTRIES if entry.id not in FACTS_NOT_USED], ids=lambda e: e.id)
def test_reproduces(entry: Entry) -> None:
    (name,) = _checks_of(entry)
    found = CHECKS[name](entry)
    if entry.tolerance is None:
        assert isinstance(entry.expected, Decimal)
        assert not isinstance(found, Sequence)
        assert float(found) <= float(entry.expected) + 1e-12, entry.source
        return
    expected = entry.expected if isinstance(entry.expected, list) else [entry.expected]
    pairs = list(zip(found if isinstance(found, Sequence) else [found], expected, strict=True))
    assert any(each is not None for each, _ in pairs)
    assert [
        f"found {float(each)!r}, expected {of} ± {entry.tolerance} {entry.unit} ({entry.source})"
        for each, of in pairs
        if each is not None and abs(float(each) - float(of)) > float(entry.tolerance) + 1e-12 * abs(float(of))
    ] == []


# Tolerances above are those of the print; these hold the same figures to what was worked out anew, and more digits.


def test_the_bounds_of_the_guard_band_table_hold_for_twice_u_and_are_missed_by_a_hair_at_1_96() -> None:
    """ILAC-G8:09/2019, table 1: below 5 %, 2.5 %, 0.16 %, 1 ppm; worked out here with SciPy's normal distribution."""
    for r, bound, keeps in (("0.83", 0.05, False), ("1", 0.025, True), ("1.5", 0.0016, False), ("3", 1e-6, True)):
        assert _specific_risk(Decimal(r), Decimal(2)) <= bound
        at_196 = _specific_risk(Decimal(r), Decimal("1.96"))
        assert at_196 == pytest.approx(stats.norm.sf(float(r) * 1.96), rel=1e-9)
        assert (at_196 <= bound) is keeps


def test_a_wider_guard_band_accepts_less_that_is_wrong_and_rejects_more_that_is_right() -> None:
    """JCGM 106:2012, clause 9, on the resistors of its 9.5: a property, no figure."""
    entry = BY_ID["A-resistor-RC-w0.0"]
    process = _normal_process(
        entry.number("y0"), entry.number("u0"), entry.number("T_L"), entry.number("T_U"), entry.number("u_m")
    )
    risks = [process.risks(Decimal(w).scaleb(-2)) for w in range(-8, 9, 4)]
    assert sorted(risks, reverse=True) == risks
    assert sorted(producer for _, producer in risks) == [producer for _, producer in risks]


def test_what_the_loading_takes_off_lies_within_what_the_budget_says() -> None:
    """24 V on 1 MOhm and 1 MOhm, 10 MOhm of meter: the divider shows 11.4286 V of 12 V (Ohm's law)."""
    true = Decimal(12)
    read = (true / (1 + Decimal("5e5") / TEN_MOHM)).quantize(Decimal("0.01"))
    budget = budget_of(shown(read), meter(), Decimal("5e5"))
    loading = next(each.half_width for each in budget.components if each.name == "loading")
    assert loading == pytest.approx(true - read, abs=Decimal("0.005"))


def test_the_guarded_verdict_of_a_float_reading_is_unclear_and_the_simple_one_a_pass() -> None:
    """27.05 V on 27.00 V, ±(0.5 % + 2 counts): worked out from GUM 4.3.7 and ILAC-G8, no printed value."""
    known = meter(sheet(row("60", "0.01", "0.5", "2")))
    limits = ">= 27.00 V"
    for rule, outcome in ((Rule.SIMPLE, "pass"), (Rule.GUARDED, "unclear"), (Rule.GUARDED_REJECTION, "pass")):
        assert judge(limits, rule, known).judge_shown(shown("27.05")).outcome.value == outcome
