"""A device's credentials for the broker, as the file that it is given.

TOML with the keys `broker`, `user`, `password`, and where they apply `share` (the office's) and `ca` (a private
authority's certificate in PEM, which alone is trusted then).
"""

import tomllib
from dataclasses import dataclass, field
from pathlib import Path

from meterlink.access.private_file import read_private
from meterlink.errors import FileError
from meterlink.file_change import replace_text

_MOST_BYTES = 64 * 1024
_REQUIRED = ("broker", "user", "password")
_OPTIONAL = ("share", "ca")
_HEAD = "# Steadypoint: what this machine needs for the broker. Secret: keep it readable by its owner only.\n"


@dataclass(frozen=True, slots=True)
class Credentials:
    """What a machine needs to reach the broker."""

    broker: str
    """Its URL, `mqtts://HOST:PORT` or `mqtt://HOST:PORT`."""
    user: str
    password: str = field(repr=False)
    share: str | None = field(default=None, repr=False)
    """The group of the office's shared subscription. Not to be guessed: every member is dealt messages."""
    ca: str | None = None
    """The certificate, PEM, of the authority that the broker's is to be signed by; the system's own unless given."""


def read_credentials(path: Path) -> Credentials:
    """Read a credentials file.

    Raises:
        FileError: it cannot be read, others than its owner may read it, or it holds something else.
    """
    data = read_private(path, _MOST_BYTES + 1)
    if len(data) > _MOST_BYTES:
        raise FileError(str(path), f"expected credentials of at most {_MOST_BYTES // 1024} KiB")
    try:
        content = tomllib.loads(data.decode())
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        # The reason may quote the line, and with it the password.
        raise FileError(str(path), "expected credentials as `steadypoint enrol` writes them, a TOML file") from error
    if unknown := sorted(set(content) - {*_REQUIRED, *_OPTIONAL}):
        raise FileError(str(path), f"unknown key {unknown[0]!r}; expected {', '.join((*_REQUIRED, *_OPTIONAL))}")
    for key in _REQUIRED:
        if key not in content:
            raise FileError(str(path), f"{key} is missing")
    for key, value in content.items():
        if not isinstance(value, str) or not value:
            raise FileError(str(path), f"{key}: expected a text")
    return Credentials(**content)


def write_credentials(path: Path, credentials: Credentials) -> None:
    """Write a credentials file, with mode 0600, in the place of an older one or where there is none.

    Raises:
        FileError: it cannot be written; an older one is as it was.
    """
    pairs = {key: getattr(credentials, key) for key in (*_REQUIRED, "share") if getattr(credentials, key) is not None}
    text = _HEAD + "".join(f'{key} = "{value}"\n' for key, value in pairs.items())
    if credentials.ca is not None:
        text += f'ca = """\n{credentials.ca}"""\n'
    try:
        replace_text(path, text)
    except OSError as error:
        raise FileError(str(path), error.strerror or "cannot be written") from error
