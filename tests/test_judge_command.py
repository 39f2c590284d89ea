"""`steadypoint judge`: the contract of its JSON, the lines for people, and what it refuses."""

import json
from math import sqrt
from pathlib import Path

import pytest
from scipy import stats

from commands import Result, steadypoint
from sheet_samples import SMALLEST_SHEET


class Judging:
    """Calls of the command with one sheet."""

    def __init__(self, folder: Path) -> None:
        self._home = folder / "home"
        self.sheet = folder / "sheet.yaml"
        self.sheet.write_text(SMALLEST_SHEET, encoding="utf-8")

    def call(self, reading: str, *more: str, limits: str = "22.0..29.0 V") -> Result:
        return steadypoint(
            self._home, "judge", "--sheet", str(self.sheet), "--limits", limits, "--reading", reading, *more
        )

    def json(self, reading: str, *more: str, limits: str = "22.0..29.0 V") -> dict[str, object]:
        result = self.call(reading, *more, "--json", limits=limits)
        assert (result.returncode, result.stderr) == (0, "")
        made: dict[str, object] = json.loads(result.stdout)
        return made


@pytest.fixture
def judging(tmp_path: Path) -> Judging:
    return Judging(tmp_path)


def number(value: object) -> float:
    assert isinstance(value, int | float)
    return float(value)


def test_the_json_has_what_other_programs_rely_on(judging: Judging) -> None:
    """By hand: ±(0.5 % of 21.95 + 2 x 0.01) V = 0.12975 V over √3; a count, 0.01 V, over √12 (GUM 4.3.7, F.2.2.1)."""
    made = judging.json("21.95 V", "--rule", "guarded")
    assert (made["outcome"], made["value"], made["unit"], made["rule"]) == ("unclear", "21.95", "V", "guarded")
    standard = sqrt((0.12975 / sqrt(3)) ** 2 + (0.01 / sqrt(12)) ** 2)
    assert number(made["standard_uncertainty"]) == pytest.approx(standard, rel=1e-12)
    assert number(made["expanded_uncertainty"]) == pytest.approx(2 * standard, rel=1e-12)
    assert made["coverage_factor"] == 2
    budget = made["budget"]
    assert isinstance(budget, list)
    assert [line["name"] for line in budget] == ["accuracy", "resolution"]
    assert sqrt(sum(line["standard_uncertainty"] ** 2 for line in budget)) == pytest.approx(standard, rel=1e-12)


def test_the_probability_is_that_of_a_trapezium(judging: Judging) -> None:
    """A sum of two rectangular errors has the distribution that SciPy calls trapezoid."""
    made = judging.json("21.95 V", "--rule", "guarded")
    wide, narrow = 0.12975, 0.005
    whole = 2 * (wide + narrow)
    error = stats.trapezoid(narrow / (wide + narrow), wide / (wide + narrow), loc=-whole / 2, scale=whole)
    assert number(made["probability"]) == pytest.approx(error.sf(0.05), abs=1e-12)
    normal = stats.norm.sf(0.05 / number(made["standard_uncertainty"]))
    assert number(made["probability_normal"]) == pytest.approx(normal, abs=1e-12)


@pytest.mark.parametrize(
    ("rule", "reading", "outcome"),
    [
        ("simple", "22.00 V", "pass"),  # ends belong to the limits
        ("simple", "21.99 V", "fail"),
        ("simple", "29.00 V", "pass"),
        ("simple", "29.01 V", "fail"),
        # U = 2 ((0.005 x + 0.02)² / 3 + 0.01² / 12)^½, by hand: 0.1511 V at 22.15 V, 0.1512 at 22.16, 0.1494 at 21.85
        ("guarded", "22.15 V", "unclear"),
        ("guarded", "22.16 V", "pass"),
        ("guarded", "21.86 V", "unclear"),
        ("guarded", "21.85 V", "fail"),
        ("guarded-rejection", "21.86 V", "pass"),
        ("guarded-rejection", "21.85 V", "fail"),
        ("guarded-rejection", "25.00 V", "pass"),
    ],
)
def test_where_each_rule_passes_and_fails(judging: Judging, rule: str, reading: str, outcome: str) -> None:
    assert judging.json(reading, "--rule", rule)["outcome"] == outcome


def test_the_verdict_does_not_depend_on_the_prefix(judging: Judging) -> None:
    one, *others = [
        judging.json(text, "--rule", "guarded", limits=limits)
        for text in ("22.10 V", "22100 mV", "0.02210 kV")
        for limits in ("22.0..29.0 V", "22000..29000 mV", "0.022..0.029 kV")
    ]
    for other in others:
        assert {**other, "limits": "", "reason": "", "value": "", "budget": ""} == {
            **one,
            "limits": "",
            "reason": "",
            "value": "",
            "budget": "",
        }


def test_the_range_is_the_smallest_that_holds_the_reading_unless_told(judging: Judging) -> None:
    assert judging.json("24.0 V")["range"] == "40 V"
    assert judging.json("40.00 V", limits="22..60 V")["range"] == "40 V"
    assert judging.json("40.1 V", limits="22..60 V")["range"] == "400 V"
    told = judging.json("21.9 V", "--range", "400 V", "--rule", "guarded")
    assert (told["range"], told["outcome"]) == ("400 V", "unclear")
    assert str(told["advice"]).startswith("Use a lower range, 40 V")
    assert number(told["standard_uncertainty"]) == pytest.approx(
        sqrt((0.008 * 21.9 + 0.2) ** 2 / 3 + 0.1**2 / 12), rel=1e-12
    )


def test_scatter_counts_as_stated_or_as_that_of_so_many_readings(judging: Judging) -> None:
    stated = judging.json("22.30 V", "--scatter", "0.05 V")
    assert _line(stated, "scatter") == pytest.approx(0.05, rel=1e-12)
    of_five = judging.json("22.30 V", "--scatter", "50 mV", "--readings", "5")
    unrounded = sqrt(0.05**2 - 0.01**2 / 12)  # GUM 4.3.10: the rounding is a line of its own
    assert _line(of_five, "scatter") == pytest.approx(1.2533 * unrounded / sqrt(5), rel=1e-12)  # √(π/2): of the median
    u_all, u_scatter = number(of_five["standard_uncertainty"]), _line(of_five, "scatter")
    assert number(of_five["degrees_of_freedom"]) == pytest.approx(u_all**4 / (u_scatter**4 / 4), rel=1e-9)  # GUM G.2b


def test_a_stated_coverage_takes_the_factor_from_student_s_t(judging: Judging) -> None:
    made = judging.json("22.30 V", "--scatter", "0.5 V", "--readings", "4", "--coverage", "95 %")
    dof = int(number(made["degrees_of_freedom"]))
    assert dof == 3
    assert number(made["coverage_factor"]) == pytest.approx(stats.t.ppf(0.975, dof), rel=1e-12)


def test_a_difference_does_not_carry_the_error_that_both_readings_share(judging: Judging) -> None:
    made = judging.json("25.20 V", "--rule", "guarded", limits="within 0.3 V of 25.41 V")
    assert made["outcome"] == "pass"
    assert number(made["expanded_uncertainty"]) < 0.04
    alone = judging.json("25.20 V", "--rule", "guarded", limits="25.11..25.71 V")
    assert alone["outcome"] == "unclear"
    cancelled = made["cancelled"]
    assert isinstance(cancelled, dict)
    assert cancelled["standard_uncertainty"] == pytest.approx(0.005 * 25.20 / sqrt(3), rel=1e-12)
    assert judging.json("25.00 V", limits="0..0.3 V below 25.41 V")["outcome"] == "fail"
    assert judging.json("25.11 V", limits="0..0.3 V below 25.41 V")["outcome"] == "pass"
    assert judging.json("25.42 V", limits="0..0.3 V below 25.41 V")["outcome"] == "fail"


def test_a_largest_uncertainty_makes_simple_acceptance_honest(judging: Judging) -> None:
    assert judging.json("25 V", "--max-uncertainty", "0.2 V")["outcome"] == "pass"
    too_much = judging.json("25 V", "--max-uncertainty", "0.1 V")
    assert too_much["outcome"] == "unclear"
    assert "better meter" in str(too_much["advice"])
    assert judging.json("25 V", "--max-uncertainty", "2 %")["outcome"] == "unclear"  # 0.14 V of 7 V
    assert judging.json("25 V", "--max-uncertainty", "3 %")["outcome"] == "pass"


def test_temperature_and_loading_are_lines_of_the_budget(judging: Judging) -> None:
    cold = judging.json("24.00 V", "--temperature", "8 °C")
    assert _line(cold, "temperature") == pytest.approx(0.14 * 0.1 * 10 / sqrt(3), rel=1e-12)
    loaded = judging.json("24.00 V", "--source-resistance", "100 kOhm")
    assert _line(loaded, "loading") == pytest.approx(24 * 1e5 / 1e7 / sqrt(3), rel=1e-12)


def test_overload_is_judged_without_an_uncertainty_and_proves_no_more_than_its_range(judging: Judging) -> None:
    assert judging.json("OL", limits="<= 2 Ohm")["outcome"] == "fail"
    made = judging.json("OL", limits=">= 300 Ohm")
    assert (made["outcome"], made["value"], made["standard_uncertainty"]) == ("pass", "OL", None)
    made = judging.json("OL", limits=">= 1 MOhm")
    assert made["outcome"] == "unclear"
    assert made["reason"] == "OL proves more than 400 Ohm on this range, and the limits are >= 1 MOhm."


@pytest.mark.parametrize(
    ("limits", "more", "outcome"),
    [
        ("<= 1 MOhm", (), "unclear"),  # it may be 500 Ohm
        ("5 kOhm..20 kOhm", ("--range", "400 Ohm"), "unclear"),
        ("<= 300 Ohm", (), "fail"),
        (">= 22 V", ("--function", "dc-voltage", "--range", "40 V"), "pass"),
        ("24..60 V", ("--function", "dc-voltage", "--range", "40 V"), "unclear"),
        ("24..30 V", ("--function", "dc-voltage", "--range", "40 V"), "fail"),
        ("OL", (), "pass"),
        ("not OL", (), "fail"),
    ],
)
def test_overload_decides_only_what_lies_below_the_end_of_its_range(
    judging: Judging, limits: str, more: tuple[str, ...], outcome: str
) -> None:
    assert judging.json("OL", *more, limits=limits)["outcome"] == outcome


def test_the_overload_of_an_unknown_meter_proves_nothing(tmp_path: Path) -> None:
    result = steadypoint(tmp_path, "judge", "--limits", ">= 30 MOhm", "--reading", "OL", "--json")
    assert json.loads(result.stdout)["outcome"] == "unclear"


def test_an_unknown_meter_is_judged_by_a_cautious_default_and_says_so(tmp_path: Path) -> None:
    arguments = ("judge", "--limits", "22.0..29.0 V", "--rule", "guarded", "--reading", "22.30 V")
    made = json.loads(steadypoint(tmp_path, *arguments, "--json").stdout)
    assert (made["outcome"], made["cautious_default"]) == ("unclear", True)
    assert "cautious default" in steadypoint(tmp_path, *arguments).stdout


def test_people_get_the_budget_line_by_line_the_verdict_and_the_probability(judging: Judging) -> None:
    lines = judging.call("21.95 V", "--rule", "guarded").stdout.splitlines()
    assert lines == [
        "21.95 V, limits 22.0..29.0 V, rule guarded",
        "accuracy sheet four-thousand-counts, range 40 V",
        "",
        "  accuracy        0.0749 V  ±(0.5 % of 21.95 + 2 x 0.01) V, range 40 V",
        "  resolution     0.00289 V  half of 0.01 V",
        "  standard        0.0750 V  root of the sum of squares",
        "  expanded         0.150 V  k = 2",
        "",
        "UNCLEAR. 0.05 V outside 22.0..29.0 V, but the meter may be off by 0.15 V: too close to call.",
        "Repeat with a better meter, one within ±0.043 V here.",
        "The true value lies inside the limits with a probability of 30.7 %.",
        "A judgement of one reading, not a permit to use the lift.",
    ]


@pytest.mark.parametrize(
    ("reading", "more", "limits", "said"),
    [
        ("21.95", (), "22..29 V", "--reading '21.95': the unit is missing"),
        ("21,95 V", (), "22..29 V", "write the decimal mark as a point"),
        ("21.95 V", (), "29..22 V", "upside down"),
        ("21.95 V", (), "<= 2 Ohm", "limits in Ohm, but the reading is in V"),
        ("21.95 V", ("--scatter", "0.1 Ohm"), "22..29 V", "--scatter '0.1 Ohm': expected V"),
        ("21.95 V", ("--scatter", "-0.1 V"), "22..29 V", "not below 0"),
        ("21.95 V", ("--function", "resistance"), "22..29 V", "resistance is measured in Ohm"),
        ("21.95 V", ("--coverage-factor", "0"), "22..29 V", "expected a coverage factor from 1 to 10"),
        ("21.95 V", ("--coverage", "100 %"), "22..29 V", "from 50 % to 99.99 %"),
        ("21.95 V", ("--coverage", "95 %", "--coverage-factor", "2"), "22..29 V", "leave one out"),
        ("21.95 V", ("--rule", "guarded", "--max-uncertainty", "1 V"), "22..29 V", "only the rule simple"),
        ("21.95 V", ("--max-uncertainty", "1 Ohm"), "22..29 V", "expected V, or a percentage"),
        ("21.95 V", ("--temperature", "300 °C"), "22..29 V", "from -40 to 80"),
        ("401 V", (), "22..29 V", "no range of sheet four-thousand-counts holds 401 V in dc-voltage"),
        ("21.95 V", ("--range", "20 V"), "22..29 V", "expected one of sheet four-thousand-counts: 40 V, 400 V"),
        ("41 V", ("--range", "40 V"), "22..60 V", "--range '40 V' cannot show 41 V"),
        ("1 A", (), "0..2 A", "no range of sheet four-thousand-counts holds 1 A in dc-current"),
        ("21.95 V", (), "within 1 V of G1", "--limits"),
        ("21.95 V", ("--sheet", "none-such"), "22..29 V", "none-such"),
    ],
)
def test_what_cannot_be_judged_is_refused_in_a_sentence(
    judging: Judging, reading: str, more: tuple[str, ...], limits: str, said: str
) -> None:
    result = judging.call(reading, *more, limits=limits)
    assert (result.returncode, result.stdout) == (2, "")
    assert said in result.stderr
    assert "Traceback" not in result.stderr


def _line(made: dict[str, object], name: str) -> float:
    budget = made["budget"]
    assert isinstance(budget, list)
    return number(next(line["standard_uncertainty"] for line in budget if line["name"] == name))
