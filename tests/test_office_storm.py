"""A short form of `python tests/office_storm.py`: whatever breaks, the office's copy is the crews' record."""

from pathlib import Path

import pytest

from brokers import needs_mosquitto
from office_storm import storm


@needs_mosquitto
@pytest.mark.timeout(300)
async def test_nothing_is_lost_doubled_or_reordered(tmp_path: Path, store_url: str) -> None:
    offices = 1 if store_url.startswith("sqlite") else 2
    came_to = await storm(tmp_path, store_url, crews=3, minutes=1.0, speed=2.0, offices=offices)
    assert came_to.differing == []
    assert came_to.unproven == []
    assert came_to.refused == 0
    assert came_to.events > 3 * 250
    assert len(came_to.happened) == 9
