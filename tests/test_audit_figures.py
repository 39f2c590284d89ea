"""A short form of `tests/audit_figures.py`: it measures something, no dip is lost, and few points are drawn."""

from pathlib import Path

import pytest

from audit_figures import bad_steps, measured
from long_job import record_long_job
from meterlink.record.device_key import device_key
from meterlink.record.store import Store

pytestmark = pytest.mark.timeout(300)

_READINGS = 20_000


def test_a_long_job_is_drawn_with_few_points_and_every_dip(tmp_path: Path) -> None:
    with Store.open(tmp_path) as store:
        job = record_long_job(store, _READINGS, device_key(tmp_path), 200, bad_steps(_READINGS))
    found = measured(tmp_path, job, _READINGS)
    assert found.dips_seen == len(bad_steps(_READINGS)) == 3
    assert 1000 < found.points < 10_000
    assert found.bytes_words > 10_000
    assert 1_000_000 < found.bytes_picture < 2_000_000
    assert len(found.zooms_s) == 20
    assert len(found.away_s) > 10
