"""What accounts, devices and sites may be called. A name is shown on pages and stands in MQTT topics and log lines."""

import re

from meterlink.errors import UsageError

OFFICE = "office"
"""The broker's user of that role; no device may be called so."""

_NAME = re.compile(r"[a-z0-9](?:[a-z0-9-]{0,30}[a-z0-9])?")
_KEY = re.compile(r"[0-9a-f]{64}")
_LONGEST_SITE = 64


def is_name(text: str) -> bool:
    """Whether that can be an account's or a device's name."""
    return _NAME.fullmatch(text) is not None


def checked_name(text: str) -> str:
    """Return an account's or a device's name.

    Raises:
        UsageError: it is none.
    """
    if not is_name(text):
        raise UsageError(
            f"{text!r}: expected a name of 1 to 32 lower-case letters, digits and hyphens, no hyphen at its ends"
        )
    return text


def checked_site(text: str) -> str:
    """Return a site's name.

    Raises:
        UsageError: it is none.
    """
    if not (text.strip() == text and text.isprintable() and 0 < len(text) <= _LONGEST_SITE):
        raise UsageError(f"site {text!r}: expected up to {_LONGEST_SITE} printable characters, no space at the ends")
    return text


def checked_key(text: str) -> str:
    """Return a device's public key in lower-case hex.

    Raises:
        UsageError: it is none.
    """
    if not _KEY.fullmatch(text.lower()):
        raise UsageError("key: expected 64 hex digits, an Ed25519 public key")
    return text.lower()
