"""A short form of `tests/cue_latency.py`: the tone begins soon after the reading while the record is read."""

import os
from statistics import median

import pytest

from cue_latency import REQUIRED_S, latencies

pytestmark = pytest.mark.skipif(os.name != "posix", reason="needs a pseudo-terminal")


def test_the_tone_of_a_verdict_begins_soon_after_the_last_byte() -> None:
    took = latencies(verdicts=12, readers=1, burners=0)
    assert len(took) >= 12
    assert min(took) > 0
    assert median(took) < REQUIRED_S
