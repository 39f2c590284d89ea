"""Records as older versions left them."""

import sqlite3
from contextlib import closing
from pathlib import Path

from meterlink.record.schema import APPLICATION_ID
from meterlink.record.store import FILE_NAME

JOB = "20261127-kfqy"
"""The one job in them, complete: three steps passed, 37 events."""


def old_record(folder: Path, layout: int) -> Path:
    """Lay an older record out in a folder.

    `data/record-layout-2.sql` is what `sqlite3`'s `.dump` gives of a record that Steadypoint wrote when 2 was the
    newest layout. Layout 1 had the same tables, and no line about the meter.
    """
    path = folder / FILE_NAME
    text = (Path(__file__).parent / "data" / "record-layout-2.sql").read_text(encoding="utf-8")
    with closing(sqlite3.connect(path)) as file:
        file.executescript(text)
        file.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        file.execute(f"PRAGMA user_version = {layout}")
    return path
