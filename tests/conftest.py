"""What tests of several files share."""

import os
import signal
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

from databases import PostgreSQL, needs_postgresql

settings.register_profile("no matter how busy", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("no matter how busy")

if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:  # so it is behind nohup; the commands under test would inherit it
    signal.signal(signal.SIGINT, signal.default_int_handler)


def pytest_xdist_auto_num_workers() -> int:
    """Two a processor: a test waits for a meter, a broker or a browser half of its time."""
    return min(2 * (os.cpu_count() or 1), 16)


@pytest.fixture(scope="session")
def postgresql() -> Iterator[PostgreSQL]:
    with PostgreSQL() as server:
        yield server


@pytest.fixture(params=["sqlite", pytest.param("postgresql", marks=needs_postgresql)])
def store_url(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """An empty store, on either database: the same tests for both."""
    if request.param == "sqlite":
        return f"sqlite:///{tmp_path / 'office.sqlite3'}"
    server: PostgreSQL = request.getfixturevalue("postgresql")
    return server.database()
