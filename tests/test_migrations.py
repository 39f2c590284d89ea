"""A record of any older layout opens, a newer one is refused, and nothing is migrated without a copy."""

import json
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from sqlalchemy import create_engine

from commands import jobs, lines, steadypoint
from meterlink.record.schema import METADATA, VERSION
from meterlink.record.store import FILE_NAME, Store
from old_records import JOB, old_record


def schema_of(path: Path) -> set[tuple[str, str]]:
    """Name and text of every table and trigger."""
    with closing(sqlite3.connect(path)) as file:
        found = file.execute("SELECT name, sql FROM sqlite_master WHERE sql IS NOT NULL").fetchall()
    return {(name, " ".join(sql.split())) for name, sql in found}


def rows_of(path: Path) -> list[tuple[object, ...]]:
    with closing(sqlite3.connect(path)) as file:
        return file.execute("SELECT job, seq, kind, monotonic_ns, utc_ns, body, raw FROM event").fetchall()


@pytest.mark.parametrize("layout", range(1, VERSION))
def test_an_older_record_is_brought_up_and_a_copy_kept(tmp_path: Path, layout: int) -> None:
    path = old_record(tmp_path, layout)
    before = rows_of(path)
    Store.open(tmp_path).close()
    assert rows_of(path) == before
    copy = tmp_path / f"record.layout-{layout}.sqlite3"
    assert rows_of(copy) == before
    with closing(sqlite3.connect(path)) as now, closing(sqlite3.connect(copy)) as then:
        assert now.execute("PRAGMA user_version").fetchone() == (VERSION,)
        assert then.execute("PRAGMA user_version").fetchone() == (layout,)


@pytest.mark.parametrize("layout", range(1, VERSION))
def test_what_is_brought_up_is_what_is_laid_out_anew(tmp_path: Path, layout: int) -> None:
    for name in ("old", "new"):
        (tmp_path / name).mkdir()
    old_record(tmp_path / "old", layout)
    for name in ("old", "new"):
        Store.open(tmp_path / name).close()
    assert schema_of(tmp_path / "old" / FILE_NAME) == schema_of(tmp_path / "new" / FILE_NAME)


def test_the_tables_in_the_code_are_those_of_the_migrations(tmp_path: Path) -> None:
    Store.open(tmp_path).close()
    engine = create_engine(f"sqlite:///{tmp_path / FILE_NAME}")
    with engine.connect() as connection:
        context = MigrationContext.configure(connection)
        assert context.get_current_revision() == f"layout{VERSION}"
        assert compare_metadata(context, METADATA) == []  # Alembic's own judgement
    engine.dispose()


def test_a_copy_that_is_there_already_is_left_alone(tmp_path: Path) -> None:
    old_record(tmp_path, 2)
    (tmp_path / "record.layout-2.sqlite3").write_text("mine", encoding="utf-8")
    Store.open(tmp_path).close()
    assert (tmp_path / "record.layout-2.sqlite3").read_text(encoding="utf-8") == "mine"
    assert rows_of(tmp_path / "record.layout-2-2.sqlite3") == rows_of(tmp_path / FILE_NAME)


def test_a_job_of_an_older_version_shows_and_does_not_verify(tmp_path: Path) -> None:
    old_record(tmp_path, 2)
    assert [job["state"] for job in jobs(tmp_path)] == ["complete"]
    assert "complete: 3 passed" in steadypoint(tmp_path, "show", JOB).stdout
    result = steadypoint(tmp_path, "verify", JOB, "--json")
    found = json.loads(result.stdout)
    assert (result.returncode, found["intact"], found["sealed"], found["events"]) == (1, False, False, 37)
    assert found["first_bad_event"] is None
    assert found["reasons"][0].startswith("not chained: made by an older version")
    refused = steadypoint(tmp_path, "export", JOB, "--as", "archive", "-o", str(tmp_path / "job.zip"))
    assert (refused.returncode, (tmp_path / "job.zip").exists()) == (2, False)
    assert "made by an older version" in refused.stderr


def test_a_job_of_an_older_version_still_replays(tmp_path: Path) -> None:
    old_record(tmp_path, 2)
    result = steadypoint(tmp_path, "replay", JOB, "--json")
    assert (result.returncode, lines(result.stdout)[0]["differences"]) == (0, [])


def test_an_older_database_is_verified_without_a_change(tmp_path: Path) -> None:
    (tmp_path / "there").mkdir()
    path = old_record(tmp_path / "there", 1)
    before = path.read_bytes()
    result = steadypoint(tmp_path / "here", "verify", str(path))
    assert result.returncode == 1
    assert "not chained: made by an older version" in result.stdout
    assert [each.name for each in path.parent.iterdir()] == [FILE_NAME]
    assert path.read_bytes() == before
