"""A short form of `tests/cue_latency.py`: every verdict's tone begins, behind its reading. Times are not judged."""

import os

import pytest

from cue_latency import latencies

pytestmark = pytest.mark.skipif(os.name != "posix", reason="needs a pseudo-terminal")


def test_the_tone_of_every_verdict_begins_after_the_last_byte() -> None:
    took = latencies(verdicts=12, readers=1, burners=0)
    assert len(took) >= 12
    assert min(took) > 0
    assert max(took) < 30  # held back until something else happened, it would take a step or more
