"""The options that say which broker, and who we are to it. Nothing secret stands on a command line."""

import os
from collections.abc import Callable
from dataclasses import dataclass
from functools import wraps
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from meterlink.errors import FileError, UsageError
from meterlink.home import home_folder

if TYPE_CHECKING:
    from meterlink.access.credentials import Credentials
    from meterlink.relay.broker import Broker

_USER, _PASSWORD, _CA = (
    "STEADYPOINT_BROKER_USER",
    "STEADYPOINT_BROKER_PASSWORD",  # the name of a variable
    "STEADYPOINT_BROKER_CA",
)
_FILE = "broker.credentials"


@dataclass(frozen=True, slots=True)
class BrokerChoice:
    """What was said of the broker."""

    url: str | None
    insecure: bool
    credentials: Path | None
    certificate: Path | None
    keyring_user: str | None

    @property
    def options(self) -> list[str]:
        """The same as options, for another process."""
        given = (
            ("--broker", self.url),
            ("--credentials", self.credentials),
            ("--client-certificate", self.certificate),
            ("--keyring-user", self.keyring_user),
        )
        named = [word for name, value in given if value is not None for word in (name, str(value))]
        return [*named, "--insecure"] if self.insecure else named

    def broker(self) -> "Broker":
        """Work out the broker and who we are to it.

        Raises:
            UsageError: it is not said, or would be spoken to in the clear.
            FileError: the credentials cannot be used.
        """
        from meterlink.relay.address import parse_address  # noqa: PLC0415 - lazy, for a quick --help
        from meterlink.relay.broker import Broker, certificate_name  # noqa: PLC0415

        found = self._credentials()
        url = self.url or (found.broker if found else None)
        if not url:
            raise UsageError("which broker? Give --broker URL, or --credentials FILE as `steadypoint enrol` writes it")
        certificate = None if self.certificate is None else str(self.certificate)
        user = found.user if found else None
        if user is None and certificate is not None:
            user = certificate_name(certificate)
        return Broker(
            parse_address(url, insecure=self.insecure),
            user,
            found.password if found else None,
            found.ca if found else _ca(),
            certificate,
            found.share if found else None,
        )

    def _credentials(self) -> "Credentials | None":
        """Return what is given: the file that was named, the keyring, the environment, the file in the home folder."""
        from meterlink.access.credentials import Credentials, read_credentials  # noqa: PLC0415 - as above

        if self.credentials is not None:
            return read_credentials(self.credentials)
        if self.keyring_user is not None:
            return Credentials(self.url or "", self.keyring_user, _from_keyring(self.url, self.keyring_user), ca=_ca())
        user, password = os.environ.get(_USER), os.environ.get(_PASSWORD)
        if (user is None) != (password is None):
            raise UsageError(f"set both {_USER} and {_PASSWORD} in the environment, or neither")
        if user is not None and password is not None:
            return Credentials(self.url or "", user, password, ca=_ca())
        path = home_folder() / _FILE
        if self.certificate is None and path.exists():
            return read_credentials(path)
        return None


def broker_options(command: Callable[..., None]) -> Callable[..., None]:
    """Add the options to a command, which gets as `choice` what was said of the broker."""

    @click.option(
        "--broker",
        "url",
        metavar="URL",
        envvar="STEADYPOINT_BROKER",
        help="mqtts://HOST:PORT, or mqtt:// on this machine; unless the credentials name it.",
    )
    @click.option(
        "--credentials",
        type=click.Path(dir_okay=False, path_type=Path),
        metavar="FILE",
        help="Who we are to the broker; else the environment, or broker.credentials in the home folder.",
    )
    @click.option(
        "--client-certificate",
        "certificate",
        type=click.Path(exists=True, dir_okay=False, path_type=Path),
        metavar="FILE",
        help="Certificate and key, PEM, for a broker that asks for them.",
    )
    @click.option("--keyring-user", metavar="NAME", help="The broker's user whose password the system's keyring has.")
    @click.option("--insecure", is_flag=True, help="Accept that everything can be read and altered on the way.")
    @wraps(command)
    def with_broker(
        *args: Any,
        url: str | None,
        credentials: Path | None,
        certificate: Path | None,
        keyring_user: str | None,
        insecure: bool,
        **kwargs: Any,
    ) -> None:
        command(*args, choice=BrokerChoice(url, insecure, credentials, certificate, keyring_user), **kwargs)

    return with_broker


def _ca() -> str | None:
    path = os.environ.get(_CA)
    if path is None:
        return None
    try:
        return Path(path).read_text(encoding="ascii")
    except (OSError, UnicodeDecodeError) as error:
        raise FileError(path, f"expected a certificate in PEM ({error})") from error


def _from_keyring(url: str | None, user: str) -> str:
    try:
        import keyring  # noqa: PLC0415 - an extra
        from keyring.errors import KeyringError  # noqa: PLC0415
    except ImportError as error:
        raise UsageError("the keyring is not there; install steadypoint[keyring]") from error
    service = f"steadypoint {url}"
    try:
        password = keyring.get_password(service, user)
    except KeyringError as error:
        raise UsageError(f"the keyring cannot be read: {error}") from error
    if password is None:
        raise UsageError(
            f"the keyring has no password for {user!r} of {service!r}; say: keyring set {service!r} {user}"
        )
    return password
