"""A live message of SenML as a display has it, whatever comes."""

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterlink.office.shown import as_reading, sample_of, stored_reading
from meterlink.reading import Function, Instant, Reading
from meterlink.record.chain import Line
from meterlink.record.codec import to_entry
from meterlink.record.entry import Entry, Event, Kind
from meterlink.record.store import Job
from meterlink.relay.standing import live_pack
from record_samples import STARTED_UTC_NS, at
from test_office_alerts import JOB


def volts(display: str, scale: int = 0, ms: int = 1000) -> Reading:
    return Reading(display, "V", Function.DC_VOLTAGE, at(ms), scale=scale)


def sent(reading: Reading, job: Job = JOB) -> list[dict[str, object]]:
    """What a relay makes of a reading."""
    entry = to_entry(reading)
    times = (str(reading.at.monotonic_ns).encode(), str(reading.at.utc_ns).encode())
    line = Line(1, *times, entry.kind.value.encode(), json.dumps(entry.body).encode(), b"", b"", b"")
    pack = live_pack(job, [line])
    assert pack is not None
    found: list[dict[str, object]] = json.loads(pack)
    return found


@pytest.mark.parametrize(
    ("before", "shown"),
    [
        (volts("24.02"), volts("24.10")),
        (volts("0.001"), volts("24.10")),
        (volts("24.10"), volts("0.020")),
        (volts("24.10"), volts("-0.002")),
        (volts("241.2", -3), volts("24.10", -3)),
        (volts("24.1"), volts("24.0")),
        (volts("OL"), volts("24.1")),
        (volts("24.10"), volts("-OL")),
    ],
)
def test_a_live_value_has_the_digits_of_the_display(before: Reading, shown: Reading) -> None:
    sample = sample_of(sent(shown))
    assert sample is not None
    found = as_reading(sample, before)
    assert (found.display, found.unit, found.function, found.scale) == (
        shown.display,
        shown.unit,
        shown.function,
        before.scale if shown.value is not None else 0,
    )
    assert abs(found.at.utc_ns - shown.at.utc_ns) < 1000, "a number of seconds since 1970 has no more digits"


def test_a_blank_display_is_blank() -> None:
    sample = sample_of(sent(volts("")))
    assert sample is not None
    assert as_reading(sample, volts("24.10")).display == ""


def test_a_reading_of_another_function_lends_no_digits() -> None:
    sample = sample_of(sent(volts("24.10")))
    assert sample is not None
    assert as_reading(sample, Reading("12.3", "Ohm", Function.RESISTANCE, at(0))).display == "24.1"


VALUES = st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=9) | st.lists(st.none(), max_size=1)
RECORDS = st.lists(
    st.dictionaries(
        st.sampled_from(["n", "u", "v", "vs", "t", "bt", "bn"]),
        VALUES | st.sampled_from(["dc-voltage", "V", "OL", "event/reading"]) | st.floats(0, 1e12),
        max_size=7,
    ),
    max_size=3,
)


@given(RECORDS, st.sampled_from([None, volts("24.10"), volts("0.001"), volts("1", 12), volts("1.2", -12), volts("OL")]))
def test_no_message_leads_to_an_error_or_a_display_without_end(
    records: list[dict[str, object]], before: Reading | None
) -> None:
    sample = sample_of(records)
    if sample is not None:
        assert len(as_reading(sample, before).display) < 40


@given(st.floats(-1e11, 1e11), st.sampled_from([None, volts("24.10"), volts("0.001"), volts("241.0", -3)]))
def test_the_number_is_kept_to_a_billionth_of_what_is_shown(value: float, before: Reading | None) -> None:
    records: list[dict[str, object]] = [{"n": "dc-voltage", "u": "V", "v": value, "bt": 1_795_598_400, "t": 0}]
    sample = sample_of(records)
    assert sample is not None
    found = as_reading(sample, before)
    assert found.value is not None
    assert float(found.value) == pytest.approx(value, rel=1e-9, abs=1e-9)


def test_a_stored_line_that_no_display_could_show_is_none() -> None:
    def line(body: dict[str, object]) -> Event:
        return Event(Kind.READING, Instant(0, STARTED_UTC_NS), body, seq=1)

    good = dict(to_entry(volts("24.10")).body)
    assert stored_reading(line(good)) is not None
    assert stored_reading(line({**good, "scale": 10**9})) is None
    assert stored_reading(line({**good, "display": "1" * 400})) is None
    assert stored_reading(line({**good, "display": "<b>"})) is None
    entry = Entry(Kind.READING, at(0), {})
    assert stored_reading(Event(entry.kind, entry.at, entry.body, seq=1)) is None
