"""Where accounts, sessions and tickets are kept: behind a protocol, in a SQL database.

Without a URL that is `access.sqlite3` in the home folder, for its owner alone. Tokens are kept as digests only, and
passwords as hashes: whoever reads the file cannot log in with it.
"""

import os
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Protocol

from sqlalchemy import (
    Column,
    Engine,
    Float,
    MetaData,
    String,
    Table,
    create_engine,
    delete,
    event,
    insert,
    or_,
    select,
    update,
)
from sqlalchemy.engine.interfaces import DBAPIConnection
from sqlalchemy.exc import ArgumentError, IntegrityError, NoSuchModuleError, SQLAlchemyError

from meterlink.access.roles import Role
from meterlink.access.session import IDLE_S, LONGEST_S, Account, Session, Ticket
from meterlink.errors import RecordError, UsageError

FILE_NAME = "access.sqlite3"

_TABLES = MetaData()
_ACCOUNT = Table(
    "access_account",
    _TABLES,
    Column("name", String(32), primary_key=True),
    Column("role", String(16), nullable=False),
    Column("password_hash", String(256), nullable=False),
)
_SESSION = Table(
    "access_session",
    _TABLES,
    Column("digest", String(64), primary_key=True),
    Column("who", String(32), nullable=False, index=True),
    Column("role", String(16), nullable=False),
    Column("begun_s", Float(53), nullable=False),
    Column("used_s", Float(53), nullable=False),
)
_TICKET = Table(
    "access_ticket",
    _TABLES,
    Column("digest", String(64), primary_key=True),
    Column("who", String(32), nullable=False, index=True),
    Column("role", String(16), nullable=False),
    Column("expires_s", Float(53), nullable=False),
)


class AccessStore(Protocol):
    """Keeps who may log in and who is; every change is durable when its call returns.

    Raises:
        RecordError: by every method, where the store cannot be read or written.
    """

    def accounts(self) -> Sequence[Account]:
        """Return all accounts, by name."""

    def account(self, name: str) -> Account | None:
        """Return one; None where there is none."""

    def add(self, account: Account) -> bool:
        """Add an account; False, and nothing is changed, where there is one of that name."""

    def change_password(self, name: str, password_hash: str) -> bool:
        """Give an account another password hash, and end its sessions; False where there is no such account."""

    def remove(self, name: str) -> bool:
        """Remove an account, with its sessions; False where there is none."""

    def put_session(self, digest: str, session: Session) -> None:
        """Keep a session."""

    def session(self, digest: str) -> Session | None:
        """Return a session, however old; None where there is none."""

    def note_use(self, digest: str, used_s: float) -> None:
        """Write down when a session was used last."""

    def end_session(self, digest: str) -> None:
        """Forget a session, if there is one."""

    def end_all_of(self, who: str) -> bool:
        """Forget all sessions and tickets of somebody; False where there were none."""

    def put_ticket(self, digest: str, ticket: Ticket) -> None:
        """Keep a ticket."""

    def ticket(self, digest: str) -> Ticket | None:
        """Return a ticket, however old; None where there is none or it was taken."""

    def take_ticket(self, digest: str) -> Ticket | None:
        """Take a ticket away; of several that try at once one gets it."""

    def tidy(self, now_s: float) -> None:
        """Forget what can no longer be used."""


class SqlAccessStore:
    """An `AccessStore` in a SQL database."""

    def __init__(self, engine: Engine) -> None:
        self._engine = engine

    def accounts(self) -> Sequence[Account]:
        """See `AccessStore`."""
        with _told(), self._engine.connect() as connection:
            rows = connection.execute(select(_ACCOUNT).order_by(_ACCOUNT.c.name)).all()
        return [Account(row.name, Role(row.role), row.password_hash) for row in rows]

    def account(self, name: str) -> Account | None:
        """See `AccessStore`."""
        with _told(), self._engine.connect() as connection:
            row = connection.execute(select(_ACCOUNT).where(_ACCOUNT.c.name == name)).one_or_none()
        return None if row is None else Account(row.name, Role(row.role), row.password_hash)

    def add(self, account: Account) -> bool:
        """See `AccessStore`."""
        values = {"name": account.name, "role": account.role.value, "password_hash": account.password_hash}
        try:
            with _told(), self._engine.begin() as connection:
                connection.execute(insert(_ACCOUNT).values(values))
        except _TakenError:
            return False
        return True

    def change_password(self, name: str, password_hash: str) -> bool:
        """See `AccessStore`."""
        changed = update(_ACCOUNT).where(_ACCOUNT.c.name == name).values(password_hash=password_hash)
        with _told(), self._engine.begin() as connection:
            connection.execute(delete(_SESSION).where(_SESSION.c.who == name))
            return connection.execute(changed).rowcount == 1

    def remove(self, name: str) -> bool:
        """See `AccessStore`."""
        with _told(), self._engine.begin() as connection:
            connection.execute(delete(_SESSION).where(_SESSION.c.who == name))
            return connection.execute(delete(_ACCOUNT).where(_ACCOUNT.c.name == name)).rowcount == 1

    def put_session(self, digest: str, session: Session) -> None:
        """See `AccessStore`."""
        values = {
            "digest": digest,
            "who": session.who,
            "role": session.role.value,
            "begun_s": session.begun_s,
            "used_s": session.used_s,
        }
        with _told(), self._engine.begin() as connection:
            connection.execute(insert(_SESSION).values(values))

    def session(self, digest: str) -> Session | None:
        """See `AccessStore`."""
        with _told(), self._engine.connect() as connection:
            row = connection.execute(select(_SESSION).where(_SESSION.c.digest == digest)).one_or_none()
        return None if row is None else Session(row.who, Role(row.role), row.begun_s, row.used_s)

    def note_use(self, digest: str, used_s: float) -> None:
        """See `AccessStore`."""
        with _told(), self._engine.begin() as connection:
            connection.execute(update(_SESSION).where(_SESSION.c.digest == digest).values(used_s=used_s))

    def end_session(self, digest: str) -> None:
        """See `AccessStore`."""
        with _told(), self._engine.begin() as connection:
            connection.execute(delete(_SESSION).where(_SESSION.c.digest == digest))

    def end_all_of(self, who: str) -> bool:
        """See `AccessStore`."""
        with _told(), self._engine.begin() as connection:
            sessions = connection.execute(delete(_SESSION).where(_SESSION.c.who == who)).rowcount
            return connection.execute(delete(_TICKET).where(_TICKET.c.who == who)).rowcount + sessions > 0

    def put_ticket(self, digest: str, ticket: Ticket) -> None:
        """See `AccessStore`."""
        values = {"digest": digest, "who": ticket.who, "role": ticket.role.value, "expires_s": ticket.expires_s}
        with _told(), self._engine.begin() as connection:
            connection.execute(insert(_TICKET).values(values))

    def ticket(self, digest: str) -> Ticket | None:
        """See `AccessStore`."""
        with _told(), self._engine.connect() as connection:
            row = connection.execute(select(_TICKET).where(_TICKET.c.digest == digest)).one_or_none()
        return None if row is None else Ticket(row.who, Role(row.role), row.expires_s)

    def take_ticket(self, digest: str) -> Ticket | None:
        """See `AccessStore`."""
        ticket = self.ticket(digest)
        with _told(), self._engine.begin() as connection:
            taken = connection.execute(delete(_TICKET).where(_TICKET.c.digest == digest)).rowcount == 1
        return ticket if taken else None

    def tidy(self, now_s: float) -> None:
        """See `AccessStore`."""
        over = or_(_SESSION.c.begun_s < now_s - LONGEST_S, _SESSION.c.used_s < now_s - IDLE_S)
        with _told(), self._engine.begin() as connection:
            connection.execute(delete(_SESSION).where(over))
            connection.execute(delete(_TICKET).where(_TICKET.c.expires_s < now_s))


@contextmanager
def access_store(folder: Path, url: str | None = None) -> Iterator[SqlAccessStore]:
    """Open the store, made at first use, for as long as the block runs.

    Args:
        folder: the home folder.
        url: an SQLAlchemy database URL, where it is not to be a file of its own in the home folder.

    Raises:
        UsageError: that is no database URL that can be used here.
        RecordError: the store cannot be opened.
    """
    try:
        engine = create_engine(url) if url is not None else _own_file(folder / FILE_NAME)
    except (ArgumentError, NoSuchModuleError, ImportError) as error:
        raise UsageError("--accounts: expected a database URL such as postgresql+psycopg://HOST/NAME") from error
    try:
        with _told():
            _TABLES.create_all(engine)
        yield SqlAccessStore(engine)
    finally:
        engine.dispose()


def _own_file(path: Path) -> Engine:
    try:
        os.close(os.open(path, os.O_CREAT | os.O_RDWR, 0o600))  # before SQLite makes it for everybody to read
    except OSError as error:
        raise RecordError(f"{path}: accounts cannot be kept here ({error.strerror})") from error
    engine = create_engine(f"sqlite:///{path}")
    event.listen(engine, "connect", _prepare)
    return engine


def _prepare(connection: DBAPIConnection, _: object) -> None:
    """Have readers and a writer side by side, and what is deleted overwritten."""
    cursor = connection.cursor()
    for pragma in ("journal_mode = WAL", "synchronous = FULL", "busy_timeout = 5000", "secure_delete = ON"):
        cursor.execute(f"PRAGMA {pragma}")
    cursor.close()


class _TakenError(Exception):
    """There is a row of that key already."""


@contextmanager
def _told() -> Iterator[None]:
    """Turn the library's errors into ours."""
    try:
        yield
    except IntegrityError as error:
        raise _TakenError from error
    except SQLAlchemyError as error:
        raise RecordError(f"accounts and sessions cannot be read or written ({type(error).__name__})") from error
