"""The technician's screen as text: what stands where, and what gives way in a small window."""

from dataclasses import replace
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench import procedure, reading_step
from meterlink.limits import Limits, parse_limits
from meterlink.outcome import Measured, Verdict, VerdictOutcome
from meterlink.reading import Flag, Function, Instant, Reading
from meterlink.screen import View, band, caption, keys, large, render, small

NOW = Instant(0, 0)
STEPS = procedure(*(reading_step(f"X{number}", "22..29 V") for number in range(1, 31))).steps


def volts(display: str, scale: int = 0, flags: frozenset[Flag] = frozenset({Flag.AUTO_RANGE})) -> Reading:
    return Reading(display, "V", Function.DC_VOLTAGE, NOW, scale, flags)


def judged(step: str, outcome: VerdictOutcome) -> Verdict:
    return Verdict(step, outcome, Measured(Decimal("24.10"), "V"), "22..29 V", False, "", NOW)


def view(reading: Reading | None = None, current: str = "X4", said: tuple[str, ...] = ("Touch X4:1.",)) -> View:
    verdicts = {
        step: judged(step, outcome) for step, outcome in zip(("X1", "X2", "X3", "X6"), VerdictOutcome, strict=True)
    }
    return View("A title", STEPS, current, verdicts, parse_limits("22..29 V"), reading, said)


@pytest.mark.parametrize("width", [20, 30, 40, 80, 132])
@pytest.mark.parametrize("height", [10, 12, 16, 20, 24, 60])
def test_the_picture_fills_any_window_exactly_and_keeps_what_matters(width: int, height: int) -> None:
    picture = render(view(volts("24.10")), width, height)
    assert len(picture) == height
    assert max(map(len, picture)) <= width
    assert picture[-1] == keys(width)
    assert sum(line.startswith("▶") for line in picture) == 1
    assert "» Touch X4:1." in picture


@pytest.mark.parametrize("current", ["X1", "X2", "X15", "X29", "X30"])
def test_the_waiting_step_is_always_in_sight(current: str) -> None:
    (marked,) = [line for line in render(view(current=current), 80, 24) if line.startswith("▶")]
    assert f" {current}:1 " in marked


def test_each_outcome_has_a_shape_a_line_and_a_word_of_its_own() -> None:
    picture = render(view(volts("24.10")), 80, 40)
    stops = [line[2:].split() for line in picture if line[2:3] in ("┃", "┊", "┆")][:6]
    assert stops == [
        ["┃", "●", "X1:1", "24.10", "V", "pass"],
        ["┊", "○", "X2:1", "24.10", "V", "fail"],
        ["┊", "◐", "X3:1", "24.10", "V", "unclear"],
        ["┆", "·", "X4:1", "now"],
        ["┆", "·", "X5:1"],
        ["┆", "–", "X6:1", "24.10", "V", "not", "applicable"],
    ]


def test_an_answered_question_shows_its_answer_and_counts_as_done() -> None:
    picture = render(replace(view(volts("24.10")), answers={"X4": True, "X5": False}), 80, 40)
    stops = [line[2:].split() for line in picture if line[2:3] in ("┃", "┊", "┆")][3:5]
    assert stops == [["┃", "●", "X4:1", "yes,", "now"], ["┃", "○", "X5:1", "no"]]
    assert "6 of 30 steps judged" in picture


def test_a_judged_step_that_is_asked_for_again_keeps_its_verdict_in_sight() -> None:
    (marked,) = [line for line in render(view(current="X2"), 80, 24) if line.startswith("▶")]
    assert marked.endswith("fail, now")


def test_digits_are_five_rows_high_with_the_unit_on_the_base_line() -> None:
    assert large(volts("-24.1"), 26) == [
        "      ███ █ █    █  ",
        "        █ █ █   ██  ",
        "  ███ ███ ███    █  ",
        "      █     █    █  ",
        "      ███   █ █ ███ V",
    ]


def test_digits_are_twice_as_wide_where_there_is_room() -> None:
    narrow, wide = large(volts("24.1"), 20), large(volts("24.1"), 80)
    assert [row.removesuffix("V").count("█") for row in wide] == [2 * row.count("█") for row in narrow]


def test_digits_are_never_cut() -> None:
    assert large(volts("24.100345", -3), 30) == ["", "", "", "", "  24.100345 mV"]
    assert small(volts("24.100345", -3)) == ["  24.100345 mV"]


@pytest.mark.parametrize("display", ["0123456789", "-OL", "OL", "0.1", ""])
def test_every_sign_that_a_display_shows_can_be_drawn(display: str) -> None:
    rows = large(volts(display), 200)
    assert len(rows) == 5
    assert len({len(row.removesuffix("V")) for row in rows}) == 1


@pytest.mark.parametrize(
    ("reading", "shown"),
    [
        (None, "  no reading yet"),
        (volts("24.10"), "  dc-voltage"),
        (volts("24.10", flags=frozenset({Flag.HOLD, Flag.LOW_BATTERY})), "  dc-voltage  hold  low-battery"),
        (volts(""), "  dc-voltage  (blank)"),
    ],
)
def test_the_caption_names_what_weakens_the_digits(reading: Reading | None, shown: str) -> None:
    assert caption(reading) == shown


@pytest.mark.parametrize(
    ("value", "strip"),
    [
        (None, "────═══════════─────"),
        ("25.5", "────═════◆═════─────"),
        ("22.0", "────◆══════════─────"),
        ("21.99", "───◆═══════════─────"),
        ("29.0", "────══════════◆─────"),
        ("29.01", "────═══════════◆────"),
        ("0.0", "◁───═══════════─────"),
        ("40.0", "────═══════════────▷"),
    ],
)
def test_the_band_marks_the_value_where_it_stands(value: str | None, strip: str) -> None:
    assert band(parse_limits("22..29 V"), None if value is None else Decimal(value), 20) == strip


@given(
    st.decimals(-30, 30, places=2),
    st.decimals(0, 60, places=2),
    st.decimals(-100, 100, places=2),
    st.integers(8, 80),
)
def test_the_mark_stands_in_the_accepted_span_just_where_the_limits_accept(
    low: Decimal, span: Decimal, value: Decimal, width: int
) -> None:
    limits = Limits("", low, low + span, "V")
    drawn = band(limits, value, width)
    (mark,) = [index for index, sign in enumerate(drawn) if sign in "◆◁▷"]
    assert len(drawn) == width
    assert (band(limits, None, width)[mark] == "═") == limits.accept(value)


def test_a_band_with_one_limit_is_open_on_the_other_side() -> None:
    assert band(parse_limits("<= 2 Ohm"), Decimal("0.5"), 20).startswith("═")
    assert band(parse_limits(">= 1 MOhm"), Decimal(2_000_000), 20).endswith(("═", "◆"))


def test_what_a_value_may_be_off_by_stands_around_it_where_it_can_be_seen() -> None:
    bare, wide, narrow = (
        band(parse_limits("22..29 V"), Decimal("25.5"), 40, off) for off in (None, Decimal(2), Decimal("0.1"))
    )
    assert bare == narrow
    assert wide.index("├") < wide.index("◆") < wide.index("┤")
    assert wide.replace("├", "═").replace("┤", "═") == bare


def test_the_screen_says_by_how_much_a_live_reading_may_be_off_and_not_an_old_one() -> None:
    shown = replace(view(volts("24.10")), may_be_off=Decimal("0.16"))
    assert "  limits 22..29 V   ±0.16 V" in render(shown, 80, 40)
    assert "  limits 22..29 V" in render(replace(shown, old="no link"), 80, 40)


def test_limits_without_numbers_have_no_band() -> None:
    assert band(parse_limits("OL"), Decimal(1), 20) == ""


def test_what_to_do_is_wrapped_and_what_was_said_before_is_cut() -> None:
    said = ("F1:2: 0.01 V. Fail. Outside 23.5..29.0 V. The last good point is F1:1.", "Touch X4:1. Dial on DC volts.")
    picture = render(view(said=said), 24, 30)
    assert [line for line in picture if line.startswith("»")] == ["» Touch X4:1. Dial on DC", "» volts."]
    assert "  F1:2: 0.01 V. Fail. Ou…" in [line[:25] for line in render(view(said=said), 25, 30)]
