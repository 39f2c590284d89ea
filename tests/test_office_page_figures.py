"""The short form of the figures: the delay is measured, on both pages."""

import pytest

from brokers import needs_mosquitto
from office_page_figures import measure, share


@needs_mosquitto
@pytest.mark.timeout(400)
def test_the_delay_from_reading_to_page_is_measured() -> None:
    found = measure(crews=2, seconds=4, rate=5)
    assert [delays.page for delays in found] == ["all crews", "one job"]
    for delays in found:
        assert delays.sent == 40
        assert 0 < len(delays.drawn) <= delays.sent
        assert min(delays.drawn) >= 0, "nothing is drawn before it is read"
        assert "99th percentile" in str(delays)


def test_percentiles() -> None:
    assert [share(tuple(range(100)), part) for part in (0.5, 0.99)] == [50, 99]
