"""Limits as people write them."""

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterlink.limits import PREFIXES, Limits, parse_limits, parse_quantity
from meterlink.reading import Function, plain

UNITS = ("V", "A", "Ohm", "Hz", "F")

numbers = st.decimals(min_value=-99999, max_value=99999, places=4)
prefixes = st.sampled_from(["", *PREFIXES])
units = st.sampled_from(UNITS)


@pytest.mark.parametrize(
    ("text", "low", "high", "unit"),
    [
        ("24 V ± 10 %", "21.6", "26.4", "V"),
        ("24 V +- 10 %", "21.6", "26.4", "V"),
        ("24V±10%", "21.6", "26.4", "V"),
        ("-24 V ± 10 %", "-26.4", "-21.6", "V"),
        ("24 V ± 500 mV", "23.5", "24.5", "V"),
        ("20 °C ± 5 Cel", "15", "25", "Cel"),
        ("22.0..29.0 V", "22.0", "29.0", "V"),
        ("22.0 .. 29.0 V", "22.0", "29.0", "V"),
        ("-0.5..0.5 V", "-0.5", "0.5", "V"),
        ("−0.5..+0.5 V", "-0.5", "0.5", "V"),
        ("500 mV..1 V", "0.5", "1", "V"),
        ("45..55 %", "45", "55", "%"),
        (">= 1 MOhm", "1000000", None, "Ohm"),
        ("≥ 1 MΩ", "1000000", None, "Ohm"),
        ("<= 0.5 Ohm", None, "0.5", "Ohm"),
        ("<= 0.5 \N{OHM SIGN}", None, "0.5", "Ohm"),
        ("≤ 0.5 ohm", None, "0.5", "Ohm"),
        ("<=\N{NO-BREAK SPACE}4.7\N{NO-BREAK SPACE}\N{MICRO SIGN}F", None, "0.0000047", "F"),
        ("OL", None, None, None),
        ("not OL", None, None, None),
    ],
)
def test_reads_each_way_of_writing(text: str, low: str | None, high: str | None, unit: str | None) -> None:
    limits = parse_limits(text)

    assert limits.low == (None if low is None else Decimal(low))
    assert limits.high == (None if high is None else Decimal(high))
    assert limits.unit == unit


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("24 V", "expected limits such as"),
        ("", "expected limits such as"),
        ("ol", "expected limits such as"),
        ("24.0–29.0 V", "expected limits such as"),
        ("24 V ± 1 V ± 1 V", "expected limits such as"),
        ("1e1..29 V", "is not known"),
        ("٢٤..29 V", "not a number with a unit"),
        ("24,0..29,0 V", "write the decimal mark as a point"),
        ("1..2..3 V", "not a number with a unit"),
        ("0...5 V", "write two points"),
        (">= 1", "the unit is missing"),
        ("24..29", "the unit is missing"),
        ("24 ± 10 %", "the unit is missing"),
        ("24 V ± 2.4", "the unit is missing"),
        ("29..24 V", "upside down"),
        ("24 V ± -1 V", "must not be negative"),
        ("24 V..29 Ohm", "different units"),
        ("24 V ± 1 Ohm", "different units"),
        ("24 V ± 1 v", "is not known"),
        ("<= 5 KOhm", "is not known"),
        ("<= 5 Ohms", "is not known"),
        ("<= 5 mCel", "is not known"),
        ("> 5 V", "write >= instead of >"),
        ("< 5 V", "write <= instead of <"),
        (">== 5 V", "not a number with a unit"),
        ("50 % ± 5 %", "says two things"),
        ("20 Cel ± 5 %", "says two things"),
        ("<= 1234567890 V", "more than 9 digits"),
        ("<= 5 V" + " or so" * 20, "longer than 60 characters"),
    ],
)
def test_refuses_and_says_why(text: str, said: str) -> None:
    with pytest.raises(ValueError, match="^" + ".*".join(("", *said.split())) + ".*"):
        parse_limits(text)


@given(number=numbers, prefix=prefixes, unit=units)
def test_a_quantity_comes_back_whole_from_its_text(number: Decimal, prefix: str, unit: str) -> None:
    value, name = parse_quantity(f"{plain(number)} {prefix}{unit}")

    assert name == unit
    assert value == number.scaleb(PREFIXES.get(prefix, 0))


# The SI Brochure (BIPM, 9th edition), table 7; from memory.
@pytest.mark.parametrize(
    ("prefix", "factor"),
    [("p", "1e-12"), ("n", "1e-9"), ("u", "1e-6"), ("m", "1e-3"), ("k", "1e3"), ("M", "1e6"), ("G", "1e9")],
)
def test_prefixes_are_those_of_the_si(prefix: str, factor: str) -> None:
    assert parse_quantity(f"1 {prefix}Ohm") == (Decimal(factor), "Ohm")


@given(number=st.decimals(min_value=1, max_value=99999, places=3), unit=units)
def test_milli_and_mega_are_never_taken_for_each_other(number: Decimal, unit: str) -> None:
    milli, _ = parse_quantity(f"{plain(number)} m{unit}")
    mega, _ = parse_quantity(f"{plain(number)} M{unit}")

    assert mega == milli * 10**9


@given(ends=st.tuples(numbers, numbers).map(sorted), prefix=prefixes, unit=units)
def test_a_span_includes_its_ends_and_nothing_beyond(ends: list[Decimal], prefix: str, unit: str) -> None:
    limits = parse_limits(f"{plain(ends[0])}..{plain(ends[1])} {prefix}{unit}")
    low, high = (end.scaleb(PREFIXES.get(prefix, 0)) for end in ends)

    assert limits.accept(low)
    assert limits.accept(high)
    assert not limits.accept(low.next_minus())
    assert not limits.accept(high.next_plus())
    assert not limits.accept(None)


@given(
    middle=st.decimals(min_value=-9999, max_value=9999, places=5),
    percent=st.decimals(min_value=0, max_value=999, places=6),
    prefix=prefixes,
)
def test_a_spread_in_percent_is_exact(middle: Decimal, percent: Decimal, prefix: str) -> None:
    limits = parse_limits(f"{plain(middle)} {prefix}V ± {plain(percent)} %")
    unit = 10 ** (12 + PREFIXES.get(prefix, 0))  # in picovolts, whole numbers below have no rounding
    middle_scaled, half_scaled = (
        int(middle * 10**5) * unit * 10**8,
        abs(int(middle * 10**5)) * int(percent * 10**6) * unit,
    )

    assert limits.low is not None
    assert limits.high is not None
    assert int(limits.low.scaleb(25)) == middle_scaled - half_scaled
    assert int(limits.high.scaleb(25)) == middle_scaled + half_scaled


@pytest.mark.parametrize(
    ("text", "accepts_overload", "accepts_zero"),
    [
        ("OL", True, False),
        ("not OL", False, True),
        (">= 1 MOhm", True, False),
        ("<= 2 Ohm", False, True),
        (">= 24 V", False, False),
        ("1..2 MOhm", False, False),
    ],
)
def test_overload_is_accepted_only_where_more_than_the_range_is_right(
    text: str, accepts_overload: bool, accepts_zero: bool
) -> None:
    limits = parse_limits(text)

    assert limits.accept(None) is accepts_overload
    assert limits.accept(Decimal(0)) is accepts_zero


@pytest.mark.parametrize(
    ("text", "nearest_zero", "one_sign"),
    [
        ("24.0..29.0 V", "24.0", 1),
        ("-29.0..-24.0 V", "24.0", -1),
        ("-0.5..0.5 V", "0", 0),
        ("0..5 V", "0", 0),
        (">= 1 kOhm", "1000", 1),
        ("<= 2 Ohm", "0", 0),
        ("OL", "0", 0),
    ],
)
def test_knows_what_is_nearest_to_zero_and_which_sign_fits(text: str, nearest_zero: str, one_sign: int) -> None:
    limits = parse_limits(text)

    assert limits.nearest_zero == Decimal(nearest_zero)
    assert limits.one_sign == one_sign


@pytest.mark.parametrize(
    ("text", "value", "margin"),
    [
        ("24.0..29.0 V", "24.10", "0.10"),
        ("24.0..29.0 V", "28.5", "0.5"),
        ("24.0..29.0 V", "23", "1.0"),
        ("<= 2 Ohm", "0.4", "1.6"),
        ("not OL", "5", None),
    ],
)
def test_margin_is_the_distance_to_the_nearest_limit(text: str, value: str, margin: str | None) -> None:
    assert parse_limits(text).margin(Decimal(value)) == (None if margin is None else Decimal(margin))


def test_every_unit_that_a_meter_measures_in_can_be_written() -> None:
    # RFC 8428, section 12.1 names them: V, A, Ohm, Hz, F, Cel and %.
    for function in Function:
        if function.judged:
            assert parse_quantity(f"1 {function.unit}") == (Decimal(1), function.unit)


@given(st.text(alphabet="0123456789.-+<>=≤≥±% mMkVOhmL,n ot", max_size=20))
def test_any_text_gives_limits_in_order_or_a_reason(text: str) -> None:
    try:
        limits = parse_limits(text)
    except ValueError as error:
        assert str(error)  # noqa: PT017 - both ways are right
    else:
        assert isinstance(limits, Limits)
        assert limits.low is None or limits.high is None or limits.low <= limits.high
