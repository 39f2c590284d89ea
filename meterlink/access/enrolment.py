"""A device's way in and out: the broker's folder, the office's register of devices, the pages."""

from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from meterlink.access.broker_folder import BrokerFolder
from meterlink.access.credentials import write_credentials
from meterlink.access.names import OFFICE
from meterlink.access.store import AccessStore
from meterlink.errors import UsageError


class DeviceRegister(Protocol):
    """The office's register of devices; the office takes in no log that is sealed with another key."""

    def enrol(self, name: str, site: str, key_hex: str, at: int) -> None:
        """Enter a device, or change what is there.

        Args:
            name: its name, which is its user's at the broker.
            site: where its jobs belong.
            key_hex: its Ed25519 public key, 64 hex digits.
            at: when, in nanoseconds since 1970, UTC.
        """

    def revoke(self, name: str, at: int) -> None:
        """Strike a device out, from that time on.

        Raises:
            UsageError: there is no such device.
        """


@dataclass(frozen=True, slots=True)
class Registration:
    """What the register is told of a device."""

    register: DeviceRegister
    site: str
    key: str


def admit(broker: BrokerFolder, name: str, to: Path, registration: Registration | None, at: int) -> None:
    """Give a device new credentials, in a file of its own; those that it had are void once the broker reads again.

    Args:
        broker: the broker's folder, set up.
        name: the device's, or `office`.
        to: the file.
        registration: what the office's register is told, if anything.
        at: when, in nanoseconds since 1970, UTC.

    Raises:
        FileError: a file cannot be written.
        UsageError: the office itself is no device.
    """
    if registration is not None and name == OFFICE:
        raise UsageError("the office is no device; leave --site, --key and --store out")
    write_credentials(to, broker.admit(name))
    if registration is not None:
        registration.register.enrol(name, registration.site, registration.key, at)


def dismiss(
    broker: BrokerFolder | None, store: AccessStore, register: DeviceRegister | None, name: str, at: int
) -> list[str]:
    """Take everything back that lets a device in.

    Returns:
        What it had, in words; empty where it had nothing.

    Raises:
        MeterlinkError: something cannot be changed.
    """
    had = []
    if broker is not None and broker.dismiss(name):
        had.append("its password at the broker")
    if register is not None:
        with suppress(UsageError):  # it has none
            register.revoke(name, at)
            had.append("its entry in the register")
    if store.end_all_of(name):
        had.append("its way into the pages")
    return had
