"""`steadypoint demo`: the newcomer's first command does the whole job, and says what it found and where it lies."""

import os
from pathlib import Path

import pytest

from commands import jobs, steadypoint_apart

pytestmark = pytest.mark.skipif(os.name != "posix", reason="needs a pseudo-terminal")


@pytest.mark.timeout(400)
def test_the_demo_checks_a_sound_lift_and_finds_the_open_final_limit_of_another(tmp_path: Path) -> None:
    result = steadypoint_apart(tmp_path, "demo", "--seed", "7", "--time-scale", "20", within_s=300)
    assert result.returncode == 0
    # A busy computer may hold the simulated meter up for 0.15 s, which are 3 s here; nothing else may be complained of.
    assert [said for said in result.stderr.splitlines() if not said.startswith("steadypoint: nothing arrives;")] == []
    assert "open:B1  mended, as the technician says" in result.stdout
    assert f"The record of both jobs lies in {tmp_path}." in result.stdout
    newest, oldest = jobs(tmp_path)
    assert (oldest["state"], oldest["passed"], oldest["failed"]) == ("complete", 25, 0)
    assert (newest["state"], newest["passed"], newest["failed"]) == ("complete", 25, 0)
