"""Accounts, sessions and tickets as data, and for how long they hold."""

import hashlib
from dataclasses import dataclass, field

from meterlink.access.roles import Role

IDLE_S = 3600.0
"""So long a session lives without a request. A page that is open and linked counts as use: hands are on the probes."""

LONGEST_S = 12 * 3600.0
"""So long it lives at most, a long shift; then the login comes again."""

NOTED_EVERY_S = 60.0
"""A use is written down at most so often."""

TICKET_MINUTES = 10
"""So long a phone may take to read its code, unless told."""


@dataclass(frozen=True, slots=True)
class Account:
    """Somebody who logs in with a password."""

    name: str
    role: Role
    password_hash: str = field(repr=False)
    """As Argon2 writes it, with its salt and cost."""


@dataclass(frozen=True, slots=True)
class Session:
    """Somebody who is logged in. Times in seconds since 1970, UTC."""

    who: str
    role: Role
    begun_s: float
    used_s: float

    def holds(self, now_s: float) -> bool:
        """Whether it is neither too old nor left alone for too long; a clock set back ends it too."""
        return 0 <= now_s - self.begun_s < LONGEST_S and now_s - self.used_s < IDLE_S

    def to_be_noted(self, now_s: float) -> bool:
        """Whether this use is worth writing down."""
        return now_s - self.used_s >= NOTED_EVERY_S


@dataclass(frozen=True, slots=True)
class Ticket:
    """What a code that a phone reads is good for, once."""

    who: str
    role: Role
    expires_s: float


def digest(token: str) -> str:
    """Return what is stored of a session's or ticket's random token: its SHA-256 in hex.

    No salt and no slow hash is needed: the token has 256 random bits, nobody guesses those.
    """
    return hashlib.sha256(token.encode()).hexdigest()
