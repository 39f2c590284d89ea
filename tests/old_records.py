"""Records as older versions left them."""

import sqlite3
from contextlib import closing
from pathlib import Path

from alembic import command
from alembic.config import Config
from sqlalchemy import create_engine

from meterlink.record import schema
from meterlink.record.schema import APPLICATION_ID
from meterlink.record.store import FILE_NAME

MIGRATIONS = Path(schema.__file__).with_name("migrations")
JOB = "20261127-kfqy"
"""The one job in them, complete: three steps passed, 37 events."""


def old_record(folder: Path, layout: int) -> Path:
    """Lay an older record out in a folder.

    `data/record-layout-2.sql` is what `sqlite3`'s `.dump` gives of a record that Steadypoint wrote when 2 was the
    newest layout. Layout 1 had the same tables, and no line about the meter. A younger one is what the revision of its
    name makes of that, which is never changed.
    """
    path = folder / FILE_NAME
    text = (Path(__file__).parent / "data" / "record-layout-2.sql").read_text(encoding="utf-8")
    with closing(sqlite3.connect(path)) as file:
        file.executescript(text)
        file.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        file.execute(f"PRAGMA user_version = {min(layout, 2)}")
    if layout > 2:
        _bring_up(path, layout)
    return path


def _bring_up(path: Path, layout: int) -> None:
    """Run the revisions up to one layout."""
    config, engine = Config(), create_engine(f"sqlite:///{path}")
    config.set_main_option("script_location", str(MIGRATIONS))
    with engine.begin() as connection:
        config.attributes["connection"] = connection
        command.stamp(config, "layout2")
        command.upgrade(config, f"layout{layout}")
        connection.exec_driver_sql(f"PRAGMA user_version = {layout}")
    engine.dispose()
