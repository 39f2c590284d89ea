"""Who this device is to the office."""

import secrets
from dataclasses import dataclass
from pathlib import Path

from meterlink.errors import RecordError, UsageError
from meterlink.file_change import replace_text
from meterlink.record.seal import fingerprint
from meterlink.relay.topics import is_device

_HOME_ID = "relay-id"
_SUPPLIES = Path("/sys/class/power_supply")


@dataclass(frozen=True, slots=True)
class Device:
    """One home folder."""

    name: str
    """As in its topics."""
    folder: Path
    """The home folder."""
    home_id: str
    """Random, and this folder's own: two folders of one name have different client ids."""


def this_device(folder: Path, user: str | None, public_key: str) -> Device:
    """Return who we are: the user's name to the broker; without one, a name made from the device's key.

    Args:
        folder: the home folder.
        user: the broker's user, if there is one.
        public_key: the device's, in hex.

    Raises:
        UsageError: the user's name cannot be a device's.
        RecordError: the folder cannot be written.
    """
    name = user or f"key-{fingerprint(public_key)}"
    if not is_device(name):
        raise UsageError(f"broker user {name!r} is no device: expected up to 32 of a-z, 0-9 and hyphen")
    path = folder / _HOME_ID
    try:
        if not path.exists():
            replace_text(path, secrets.token_hex(8))
        return Device(name, folder, path.read_text(encoding="ascii").strip()[:16])
    except (OSError, ValueError) as error:
        raise RecordError(f"{path}: cannot be read or written ({error})") from error


def battery() -> int | None:
    """Return how full this device's battery is, in per cent, where Linux tells; else None."""
    for path in sorted(_SUPPLIES.glob("BAT*/capacity")):
        try:
            return int(path.read_text(encoding="ascii"))
        except (OSError, ValueError):
            continue
    return None
