"""Passwords as Argon2id hashes."""

from typing import Protocol

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError
from argon2.profiles import RFC_9106_LOW_MEMORY

from meterlink.access.passwords import normalised


class Hasher(Protocol):
    """Hashes passwords and verifies them; both take their time and belong into a thread."""

    def hash(self, password: str) -> str:
        """Return a hash with a salt of its own, and its cost."""

    def matches(self, password_hash: str, password: str) -> bool:
        """Whether a password is the one that was hashed."""

    def is_dated(self, password_hash: str) -> bool:
        """Whether a hash was made at another cost than is asked for now."""


class Argon2Hasher:
    """A `Hasher` with the second recommended choice of RFC 9106, section 4: 3 passes over 64 MiB, 4 lanes."""

    def __init__(self) -> None:
        self._hasher = PasswordHasher.from_parameters(RFC_9106_LOW_MEMORY)

    def hash(self, password: str) -> str:
        """See `Hasher`."""
        return self._hasher.hash(normalised(password))

    def matches(self, password_hash: str, password: str) -> bool:
        """See `Hasher`."""
        try:
            return self._hasher.verify(password_hash, normalised(password))
        except (VerificationError, InvalidHashError):
            return False

    def is_dated(self, password_hash: str) -> bool:
        """See `Hasher`."""
        return self._hasher.check_needs_rehash(password_hash)
