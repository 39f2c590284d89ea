"""Logs people in and out, for the pages: passwords, tickets and sessions in one place, every refusal in the log."""

import asyncio
import secrets
import time
from contextlib import suppress
from dataclasses import dataclass
from typing import NamedTuple

from meterlink.access.hasher import Hasher
from meterlink.access.journal import Journal
from meterlink.access.lockout import Lockout
from meterlink.access.names import is_name
from meterlink.access.passwords import LONGEST
from meterlink.access.roles import Role
from meterlink.access.session import Session, Ticket, digest
from meterlink.access.store import AccessStore
from meterlink.errors import MeterlinkError

_AT_ONCE = 2
"""Passwords that are checked at a time: each takes 64 MiB, and the check that runs beside wants its turn."""

_MOST_WAITING = 16

_TOKEN_BYTES = 32

_LOOK_S = 2.0
"""How often a stream looks whether its session still holds."""


class Entered(NamedTuple):
    """Somebody is in."""

    token: str
    """What the browser keeps; here only its digest is."""
    session: Session


@dataclass(frozen=True, slots=True)
class Refused:
    """Somebody is not."""

    status: int
    """HTTP's."""
    words: str
    wait_s: int = 0
    """How long to wait before another try."""


_WRONG = Refused(401, "Name or password is wrong.")
_BUSY = Refused(503, "Too many log in just now. Try again in a moment.", 5)
_SPENT = Refused(403, "This code has been used or is too old. Ask for a new one.")


class Gate:
    """Who is in, and who gets in."""

    def __init__(self, store: AccessStore, hasher: Hasher, journal: Journal) -> None:
        self.journal = journal
        self._store, self._hasher = store, hasher
        self._lockout = Lockout()
        self._turns = asyncio.Semaphore(_AT_ONCE)
        self._waiting = 0
        self._nobody: str | None = None

    async def log_in(self, name: str, password: str, address: str, earlier: str | None) -> Entered | Refused:
        """Check a name and its password. Unknown names take the same steps, and get the same answer.

        Args:
            name: as typed.
            password: as typed.
            address: where it comes from.
            earlier: the token of a session that this one is to replace, if any; it is never gone on with.
        """
        if wait_s := self._lockout.attempt(name[:LONGEST], address, time.monotonic()):
            self.journal.note("login-locked-out", address=address, wait_s=round(wait_s))
            return _too_soon(wait_s)
        if self._waiting >= _MOST_WAITING:
            self.journal.note("login-too-busy", address=address)
            return _BUSY
        self._waiting += 1
        try:
            async with self._turns:
                session = await asyncio.to_thread(self._checked, name, password)
        finally:
            self._waiting -= 1
        if isinstance(session, str | None):
            self.journal.note("login-refused", address=address, who=session)
            return _WRONG
        self._lockout.succeeded(name, address)
        return await self._enter(session, "login", address, earlier)

    async def announced(self, token: str) -> Ticket | None:
        """Return what a ticket is good for, without taking it; None where it is good for nothing."""
        ticket = await asyncio.to_thread(self._store.ticket, digest(token))
        return ticket if ticket is not None and time.time() < ticket.expires_s else None

    async def enter_by_ticket(self, token: str, address: str, earlier: str | None) -> Entered | Refused:
        """Take a ticket; see `log_in` for the rest."""
        if wait_s := self._lockout.attempt("", address, time.monotonic()):
            self.journal.note("ticket-locked-out", address=address, wait_s=round(wait_s))
            return _too_soon(wait_s)
        ticket = await asyncio.to_thread(self._store.take_ticket, digest(token))
        now_s = time.time()
        if ticket is None or now_s >= ticket.expires_s:
            self.journal.note("ticket-refused", address=address, who=None if ticket is None else ticket.who)
            return _SPENT
        self._lockout.succeeded("", address)
        return await self._enter(Session(ticket.who, ticket.role, now_s, now_s), "ticket", address, earlier)

    async def session(self, token: str) -> Session | None:
        """Return who is in with a token, and count it as a use; None where nobody is."""
        return await asyncio.to_thread(self._used, digest(token))

    async def ended(self, token: str) -> None:
        """Return once a session holds no longer, or nobody can say; until then it counts as used."""
        with suppress(MeterlinkError):
            while await self.session(token) is not None:  # noqa: ASYNC110 - the store announces nothing
                await asyncio.sleep(_LOOK_S)

    async def log_out(self, token: str, who: str, address: str) -> None:
        """End a session."""
        await asyncio.to_thread(self._store.end_session, digest(token))
        self.journal.note("logout", address=address, who=who)

    def _checked(self, name: str, password: str) -> Session | str | None:
        """A session, or the name of the account whose password this is not, None where there is no account."""
        account = self._store.account(name) if is_name(name) else None
        # Nobody has this password; it is hashed against all the same, so that time does not tell who has an account.
        if self._nobody is None:
            self._nobody = self._hasher.hash(secrets.token_urlsafe(_TOKEN_BYTES))
        right = self._hasher.matches(account.password_hash if account else self._nobody, password[: LONGEST + 1])
        if account is None:
            return None
        if not right:
            return account.name
        if self._hasher.is_dated(account.password_hash):
            self._store.change_password(name, self._hasher.hash(password))
        now_s = time.time()
        return Session(account.name, account.role, now_s, now_s)

    def _used(self, key: str) -> Session | None:
        session, now_s = self._store.session(key), time.time()
        if session is None or not session.holds(now_s):
            return None
        if session.to_be_noted(now_s):
            self._store.note_use(key, now_s)
        return session

    async def _enter(self, session: Session, by: str, address: str, earlier: str | None) -> Entered:
        token = secrets.token_urlsafe(_TOKEN_BYTES)
        await asyncio.to_thread(self._keep, digest(token), session, earlier)
        self.journal.note("entered", address=address, who=session.who, by=by, role=session.role)
        return Entered(token, session)

    def _keep(self, key: str, session: Session, earlier: str | None) -> None:
        if earlier is not None:
            self._store.end_session(digest(earlier))
        self._store.tidy(session.begun_s)
        self._store.put_session(key, session)


def issue_ticket(store: AccessStore, who: str, role: Role, minutes: int) -> str:
    """Make a ticket and return its token, which is kept nowhere."""
    now_s = time.time()
    token = secrets.token_urlsafe(_TOKEN_BYTES)
    store.tidy(now_s)
    store.put_ticket(digest(token), Ticket(who, role, now_s + 60 * minutes))
    return token


def _too_soon(wait_s: float) -> Refused:
    wait = int(wait_s) + 1
    return Refused(429, f"Too many tries. Wait {wait} s, then try again.", wait)
