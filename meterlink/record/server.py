"""A record on a PostgreSQL server: opened, checked, laid out and brought to the newest layout."""

from sqlalchemy import URL, Connection, Engine, create_engine, inspect

from meterlink.errors import RecordError
from meterlink.record import schema
from meterlink.record.transaction import explained, writing

_LAYING_OUT = 0x5350_4E54
"""Names the advisory lock that keeps two programs from laying the tables out at once."""
_REVISION = "layout"


def open_server(url: URL) -> Engine:
    """Open a record on a server, laid out where the database is empty.

    A password that the URL does not give comes from the environment (`PGPASSWORD`) or `~/.pgpass`, as with all clients
    of that server.

    Args:
        url: `postgresql+psycopg://...`.

    Raises:
        RecordError: it cannot be reached, holds another program's tables, or is of a newer Steadypoint.
    """
    place = url.render_as_string(hide_password=True)
    try:
        engine = create_engine(url, pool_pre_ping=True)
    except ImportError as error:
        raise RecordError(f"{place}: no driver for it; install steadypoint[postgresql]") from error
    try:
        with explained(place, "cannot be opened"), writing(engine) as connection:
            connection.exec_driver_sql(f"SELECT pg_advisory_xact_lock({_LAYING_OUT})")
            layout = _check(connection, place)
            if layout < schema.VERSION:
                from meterlink.record.migrate import migrate  # noqa: PLC0415 - Alembic is seldom wanted

                migrate(connection, layout)
    except RecordError:
        engine.dispose()
        raise
    return engine


def _check(connection: Connection, place: str) -> int:
    """Return the layout, 0 for an empty database; raise where it cannot be used."""
    tables = set(inspect(connection).get_table_names())
    if "alembic_version" not in tables:
        if found := tables & set(schema.METADATA.tables):
            raise RecordError(f"{place}: another program's tables are there ({', '.join(sorted(found))}); use another")
        return 0
    revision = str(connection.exec_driver_sql("SELECT version_num FROM alembic_version").scalar())
    number = revision.removeprefix(_REVISION)
    if not revision.startswith(_REVISION) or not number.isdigit():
        raise RecordError(f"{place}: this is another program's database, not a record; it was left as it is")
    if int(number) > schema.VERSION:
        raise RecordError(
            f"{place}: this record has layout {number}; this Steadypoint knows layout {schema.VERSION} and would "
            "misread it. Use a newer Steadypoint; nothing was changed"
        )
    return int(number)
