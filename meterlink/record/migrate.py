"""Brings a record to the newest layout, with Alembic. Imported only where there is something to do."""

from pathlib import Path

from alembic import command
from alembic.config import Config
from sqlalchemy import Connection

from meterlink.record import schema

_FOLDER = Path(__file__).with_name("migrations")


def migrate(connection: Connection, layout: int) -> None:
    """Bring a record to the newest layout, inside the caller's transaction.

    Args:
        connection: with a transaction that can write.
        layout: the layout it has; 0 for a new, empty file or database.
    """
    config = Config()
    config.set_main_option("script_location", str(_FOLDER).replace("%", "%%"))
    config.attributes["connection"] = connection
    in_a_file = connection.dialect.name == "sqlite"
    if 0 < layout < schema.FIRST_BY_ALEMBIC:
        command.stamp(config, f"layout{layout}")
    elif layout == 0 and not in_a_file:
        command.stamp(config, f"layout{schema.FIRST_ON_A_SERVER - 1}")
    command.upgrade(config, "head")
    if not in_a_file:
        return
    connection.exec_driver_sql(f"PRAGMA application_id = {schema.APPLICATION_ID}")
    connection.exec_driver_sql(f"PRAGMA user_version = {schema.VERSION}")
