"""What tests of several files share."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from databases import PostgreSQL, needs_postgresql


@pytest.fixture(scope="session")
def postgresql() -> Iterator[PostgreSQL]:
    server = PostgreSQL()
    server.start()
    yield server
    server.stop()


@pytest.fixture(params=["sqlite", pytest.param("postgresql", marks=needs_postgresql)])
def store_url(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """An empty store, on either database: the same tests for both."""
    if request.param == "sqlite":
        return f"sqlite:///{tmp_path / 'office.sqlite3'}"
    server: PostgreSQL = request.getfixturevalue("postgresql")
    return server.database()
