from datetime import datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterlink.record.codec import to_entry
from meterlink.record.words import columns, local_time, measured, rfc3339
from record_samples import touch


def test_a_wall_clock_is_written_as_rfc_3339_has_it() -> None:
    # RFC 3339, section 5.8, first example: 1985-04-12T23:20:50.52Z, here with all nine places.
    moment = datetime.fromisoformat("1985-04-12T23:20:50.52+00:00")
    assert rfc3339(round(moment.timestamp() * 100) * 10_000_000) == "1985-04-12T23:20:50.520000000Z"
    assert rfc3339(1) == "1970-01-01T00:00:00.000000001Z"


@given(st.integers(0, 4_000_000_000_000_000_000))
def test_written_times_sort_as_the_clock_does_and_lose_nothing(utc_ns: int) -> None:
    text = rfc3339(utc_ns)
    assert round(datetime.fromisoformat(text[:19] + "Z").timestamp()) * 10**9 + int(text[20:29]) == utc_ns
    assert rfc3339(utc_ns + 1) > text


@pytest.mark.parametrize(
    ("hours", "written"),
    [
        (0, "1996-12-20 00:39:57+00:00"),
        (-8, "1996-12-19 16:39:57-08:00"),
        (5.75, "1996-12-20 06:24:57+05:45"),
    ],
)
def test_local_times_show_their_offset(hours: float, written: str) -> None:
    # RFC 3339, section 5.8, second example: 1996-12-19T16:39:57-08:00 is 1996-12-20T00:39:57Z.
    moment = datetime.fromisoformat("1996-12-19T16:39:57-08:00")
    assert local_time(int(moment.timestamp()) * 10**9, int(timedelta(hours=hours).total_seconds())) == written


@pytest.mark.parametrize(
    ("value", "unit", "written"), [("24.10", "V", "24.10 V"), ("OL", "Ohm", "OL"), (None, None, "")]
)
def test_a_value_is_written_with_its_unit(value: str | None, unit: str | None, written: str) -> None:
    assert measured({"value": value, "unit": unit}) == written


def test_the_value_of_a_stored_touch_keeps_its_resolution() -> None:
    assert measured(to_entry(touch("fuse", "24.10", 0, 1)).body) == "24.10 V"


def test_columns_line_up_without_trailing_blanks() -> None:
    assert columns([("STEP", "VALUE"), ("f", "24.10 V"), ("fuse-behind", "")]) == [
        "STEP         VALUE",
        "f            24.10 V",
        "fuse-behind",
    ]


def test_control_signs_never_reach_the_terminal() -> None:
    assert columns([("\x1b[2Jtitle\nnext", "± Ω")]) == ["\ufffd[2Jtitle\ufffdnext  ± Ω"]
