"""A short form of `python tests/replays.py`: stored simulated jobs replay identically, whatever the surroundings."""

from pathlib import Path

import pytest

from replays import Setting, replay_all, settings, simulate


@pytest.fixture(scope="module")
def recorded(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, list[str]]:
    home = tmp_path_factory.mktemp("recorded")
    jobs = [job for seed in range(2000, 2004) if (job := simulate(home, seed))]
    assert len(jobs) == 4
    return home, jobs


@pytest.mark.parametrize("setting", settings(), ids=[setting.name for setting in settings()])
def test_simulated_jobs_replay_identically(recorded: tuple[Path, list[str]], setting: Setting) -> None:
    assert replay_all(*recorded, setting) == []
