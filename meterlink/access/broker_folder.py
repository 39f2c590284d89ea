"""The broker's folder: the shipped configuration, its certificate, and who may come in with which password.

Everything in it is for its owner alone, who runs the broker too. The configuration and the rights are written once;
the password files change with every enrolment, each whole or not at all.
"""

import base64
import hashlib
import secrets
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from importlib.resources import files
from pathlib import Path
from string import Template

from cryptography.hazmat.primitives.serialization import Encoding
from filelock import FileLock

from meterlink.access.authority import (
    TOLD_DAYS,
    Authority,
    authority,
    broker_certificate,
    checked_host,
    days_left,
    read_certificate,
    write_file,
    write_key,
)
from meterlink.access.credentials import Credentials
from meterlink.access.names import OFFICE
from meterlink.errors import FileError, UsageError

CREW_PORT = 8883
"""MQTT over TLS, as registered with IANA (from memory)."""
OFFICE_PORT = 8884

_CREWS, _OFFICES = "crew.passwords", "office.passwords"
_CONFIGURATION = "mosquitto.conf"
_HOST, _SHARE = "broker.host", "office.share"

_ROUNDS = 1000
"""Of the hash. A password that is random has no need of more."""
_SALT_BYTES = 12
"""mosquitto 2.0 takes no other length."""
_PASSWORD_BYTES = 32


@dataclass(frozen=True, slots=True)
class BrokerFolder:
    """One, as it lies on the disk."""

    path: Path

    @property
    def there(self) -> bool:
        """Whether it has been set up."""
        return (self.path / _CONFIGURATION).exists()

    def set_up(self, host: str, *, crew_port: int = CREW_PORT, office_port: int = OFFICE_PORT) -> bool:
        """Write what is not there yet, and a new certificate for the broker.

        Args:
            host: the name or address that devices reach it by.
            crew_port: where crews do, where the configuration is not written yet.
            office_port: where the office does, likewise.

        Returns:
            Whether the folder is new; else its certificate is.

        Raises:
            FileError: the folder cannot be written.
            UsageError: it has a space, quote or `$`, or the host is none.
        """
        host = checked_host(host)
        if not str(self.path).isprintable() or set(str(self.path)) & set(" $\"'\\"):
            raise UsageError(f"{self.path}: the broker's folder has a path without spaces, quotes and $")
        with self._held():
            new = not self.there
            self._certify(authority(self.path), host)
            values = {"folder": str(self.path), "crew_port": str(crew_port), "office_port": str(office_port)}
            for name in ("crew.acl", "office.acl", _CONFIGURATION):
                self._write_once(name, Template(_shipped(name)).safe_substitute(values))
            for name in (_CREWS, _OFFICES):
                self._write_once(name, "")
            self._write_once(_SHARE, f"office-{secrets.token_hex(16)}")
        return new

    def admit(self, name: str) -> Credentials:
        """Give a device, or the office, a new password; an earlier one is void once the broker reads again.

        Raises:
            FileError: the folder cannot be read or written.
        """
        office = name == OFFICE
        password = secrets.token_urlsafe(_PASSWORD_BYTES)
        with self._held():
            file = _OFFICES if office else _CREWS
            self._write_passwords(file, self._passwords(file) | {name: mosquitto_hash(password)})
            host = self._text(_HOST)
            share = self._text(_SHARE) if office else None
            port = self._port(_OFFICES if office else _CREWS)
        url = f"mqtts://{f'[{host}]' if ':' in host else host}:{port}"
        return Credentials(url, name, password, share, authority(self.path).pem)

    def dismiss(self, name: str) -> bool:
        """Take a device's password away; False where it had none.

        Raises:
            FileError: the folder cannot be read or written.
        """
        file = _OFFICES if name == OFFICE else _CREWS
        with self._held():
            passwords = self._passwords(file)
            known = passwords.pop(name, None) is not None
            self._write_passwords(file, passwords)
        return known

    def admitted(self) -> list[str]:
        """Return the devices that have a password.

        Raises:
            FileError: the folder cannot be read.
        """
        return sorted(self._passwords(_CREWS))

    def expiring(self, now: datetime | None = None) -> list[str]:
        """Say which certificates end soon or have ended, and what to do.

        Raises:
            FileError: the folder cannot be read.
        """
        said = []
        for name, remedy in (
            ("server.pem", "give --broker-host again for a new one"),
            ("ca.pem", "move ca.key and ca.pem away, give --broker-host, and enrol every device again"),
        ):
            left = days_left(read_certificate(self.path / name), now or datetime.now(UTC))
            if left < TOLD_DAYS:
                when = f"ends in {left} days" if left >= 0 else "has expired: no device reaches the broker"
                said.append(f"{self.path / name}: the certificate {when}; {remedy}")
        return said

    def _certify(self, signer: Authority, host: str) -> None:
        key, certificate = broker_certificate(signer, host)
        write_key(self.path / "server.key", key)
        write_file(self.path / "server.pem", certificate.public_bytes(Encoding.PEM))
        write_file(self.path / _HOST, host.encode())

    def _write_once(self, name: str, text: str) -> None:
        if not (self.path / name).exists():
            write_file(self.path / name, text.encode())

    def _passwords(self, file: str) -> dict[str, str]:
        lines = self._text(file).splitlines()
        return {name: rest for name, _, rest in (line.partition(":") for line in lines if line.strip())}

    def _write_passwords(self, file: str, passwords: Mapping[str, str]) -> None:
        text = "".join(f"{name}:{rest}\n" for name, rest in sorted(passwords.items()))
        write_file(self.path / file, text.encode())

    def _port(self, passwords: str) -> int:
        """The port of the listener with that password file."""
        port = None
        for line in self._text(_CONFIGURATION).splitlines():
            word, _, rest = line.strip().partition(" ")
            if word == "listener":
                port = rest.split()[0]
            if word == "password_file" and Path(rest.strip()).name == passwords and port is not None:
                return int(port)
        raise FileError(str(self.path / _CONFIGURATION), f"no listener has the password file {passwords}")

    def _text(self, name: str) -> str:
        try:
            return (self.path / name).read_text(encoding="utf-8")
        except (OSError, UnicodeDecodeError) as error:
            raise FileError(str(self.path / name), "cannot be read; set the folder up with --broker-host") from error

    @contextmanager
    def _held(self) -> Iterator[None]:
        """Keep others from changing the folder at the same time."""
        try:
            self.path.mkdir(mode=0o700, parents=True, exist_ok=True)
            (self.path / "data").mkdir(mode=0o700, exist_ok=True)
            with FileLock(self.path / "enrol.lock"):
                yield
        except OSError as error:
            raise FileError(str(self.path), f"the broker's folder cannot be used ({error.strerror})") from error


def mosquitto_hash(password: str, salt: bytes | None = None) -> str:
    """Hash a password as mosquitto 2.0 reads it: `$7$ROUNDS$SALT$HASH`, PBKDF2 with HMAC-SHA-512, 64 bytes.

    Args:
        password: the password.
        salt: 12 bytes; random ones unless given.
    """
    salt = salt or secrets.token_bytes(_SALT_BYTES)
    key = hashlib.pbkdf2_hmac("sha512", password.encode(), salt, _ROUNDS)
    return f"$7${_ROUNDS}${base64.b64encode(salt).decode()}${base64.b64encode(key).decode()}"


def _shipped(name: str) -> str:
    return (files("meterlink.access") / "shipped" / name).read_text(encoding="utf-8")
