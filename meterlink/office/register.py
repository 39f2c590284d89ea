"""The register of devices: whose key is whose, and at which site."""

import re
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from pathlib import Path

from sqlalchemy import Connection, func, insert, select, update

from meterlink.access.names import checked_key, checked_site
from meterlink.errors import UsageError
from meterlink.office.marks import mark
from meterlink.record.device_key import known_keys
from meterlink.record.schema import DEVICE, PROGRESS
from meterlink.record.store import Store
from meterlink.relay.topics import is_device

_KEY = re.compile(r"[0-9a-f]{64}")
NO_SITE = "-"
"""Of a device that nobody enrolled."""


@dataclass(frozen=True, slots=True)
class Enrolled:
    """A device as registered."""

    name: str
    site: str
    public_key: str
    """In hex."""
    enrolled_utc_ns: int
    revoked_utc_ns: int | None
    first_seen: bool
    """Whether nobody enrolled it: its key is the first that came under this name."""


class Register:
    """The devices of one office."""

    def __init__(self, store: Store, *, notes_first: bool = False) -> None:
        """Read the register of a store.

        Args:
            store: the office's.
            notes_first: whether a name that is not in it is noted with the first key that comes under it.
        """
        self._store, self._notes_first = store, notes_first

    def enrol(self, name: str, site: str, key_hex: str, at: int) -> None:
        """Register a device, or give one that is there another key or site.

        Args:
            name: as in its topics, its user at the broker.
            site: where it belongs, 1 to 64 printable characters.
            key_hex: the Ed25519 public key that seals its jobs, in hex.
            at: nanoseconds since 1970-01-01T00:00:00Z.

        Raises:
            UsageError: a name, site or key that cannot be.
            RecordError: it cannot be saved.
        """
        if not is_device(name):
            raise UsageError(f"device {name!r}: expected up to 32 lower-case letters, digits and hyphens, not 'office'")
        values = {
            "site": checked_site(site),
            "public_key": checked_key(key_hex),
            "enrolled_utc_ns": at,
            "revoked_utc_ns": None,
            "first_seen": 0,
        }
        with self._store.writing(f"device {name} is not enrolled") as connection:
            again = update(DEVICE).where(DEVICE.c.name == name).values(**values)
            if not connection.execute(again).rowcount:
                connection.execute(insert(DEVICE), {"name": name, **values})
            mark(connection, [f"device/{name}"])

    def revoke(self, name: str, at: int) -> None:
        """Take nothing more from a device; what it sent stays.

        Raises:
            UsageError: there is no such device.
        """
        with self._store.writing(f"device {name} is not revoked") as connection:
            revoked = update(DEVICE).where(DEVICE.c.name == name).values(revoked_utc_ns=at)
            if not connection.execute(revoked).rowcount:
                raise UsageError(f"no device {name!r} is enrolled")
            mark(connection, [f"device/{name}"])

    def devices(self) -> Sequence[Enrolled]:
        """Return all, by name."""
        with self._store.reading() as connection:
            rows = connection.execute(select(DEVICE).order_by(DEVICE.c.name)).all()
        return [
            Enrolled(row.name, row.site, row.public_key, row.enrolled_utc_ns, row.revoked_utc_ns, bool(row.first_seen))
            for row in rows
        ]

    def anyone_enrolled(self) -> bool:
        """Tell whether any device was ever enrolled on purpose."""
        with self._store.reading() as connection:
            enrolled = select(func.count()).select_from(DEVICE).where(DEVICE.c.first_seen == 0)
            return connection.execute(enrolled).scalar_one() > 0

    def keys(self, connection: Connection, devices: Collection[str]) -> dict[str, str | None]:
        """Return the keys of those devices that are registered, in hex; None for one that was revoked."""
        there = select(DEVICE.c.name, DEVICE.c.public_key, DEVICE.c.revoked_utc_ns).where(DEVICE.c.name.in_(devices))
        return {name: None if revoked is not None else key for name, key, revoked in connection.execute(there)}

    def key_of_stranger(self, connection: Connection, device: str, first: str | None, utc_ns: int) -> str | None:
        """Return the key of a device that is not registered, inside a transaction that writes.

        Args:
            connection: with that transaction.
            device: its name.
            first: the key that came under that name; None where none came.
            utc_ns: the time.

        Returns:
            The key in hex; None where nothing may be taken from this device; empty where the first that comes counts.
        """
        if not self._notes_first:
            return None
        if first is None or _KEY.fullmatch(first) is None:
            return ""
        values = {"name": device, "site": NO_SITE, "public_key": first, "enrolled_utc_ns": utc_ns, "first_seen": 1}
        connection.execute(insert(DEVICE), values)
        mark(connection, [f"device/{device}"])
        return first


def registered_keys(store: Store) -> dict[str, str]:
    """Return the names of the enrolled devices of a store, by public key in hex."""
    return {each.public_key: f"device {each.name}" for each in Register(store).devices() if not each.first_seen}


def known_to(store: Store, folder: Path) -> dict[str, str]:
    """Return the names of the keys that a store's register and this machine know, by public key in hex.

    Args:
        store: an office's, or a record, whose register is empty.
        folder: the home folder, whose names count where both know a key.
    """
    return {**registered_keys(store), **known_keys(folder)}


def jobs_at(store: Store, site: str) -> frozenset[str]:
    """Return the ids of the jobs whose devices belong to a site: what a reader of that site may see."""
    of_site = select(PROGRESS.c.job).join(DEVICE, DEVICE.c.name == PROGRESS.c.device).where(DEVICE.c.site == site)
    with store.reading() as connection:
        return frozenset(connection.execute(of_site).scalars())
