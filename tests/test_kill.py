"""A short form of `python tests/kills.py`: nothing that was announced is lost by a kill."""

from pathlib import Path

import pytest

from kills import kill_once


@pytest.mark.parametrize("seed", range(1000, 1010))
def test_a_kill_loses_nothing_that_was_announced_and_the_job_comes_to_its_end(tmp_path: Path, seed: int) -> None:
    assert kill_once(tmp_path, seed).wrong == []
