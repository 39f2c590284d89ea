"""The device's own key, which seals its jobs, and the public keys that are known here.

The private key is `device-key.pem` in the home folder (PKCS #8 in PEM, RFC 7468), the known public ones are PEM files
in `keys/` beside it, each named as the key shall be called.
"""

import os
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

from cryptography.exceptions import UnsupportedAlgorithm
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey
from cryptography.hazmat.primitives.serialization import (
    BestAvailableEncryption,
    Encoding,
    KeySerializationEncryption,
    NoEncryption,
    PrivateFormat,
    PublicFormat,
    load_pem_private_key,
    load_pem_public_key,
)
from filelock import FileLock

from meterlink.errors import RecordError
from meterlink.file_change import replace_bytes, replace_text
from meterlink.record.seal import fingerprint

Ask = Callable[[], bytes | None]
"""Gives a passphrase; None where nobody can be asked."""

PASSPHRASE = "STEADYPOINT_KEY_PASSPHRASE"  # noqa: S105 - the name of an environment variable
FILE_NAME = "device-key.pem"
OWN = "this-device"
"""The name under which the device's own key is known to itself."""
_KEYS = "keys"


class DeviceKey:
    """The key that seals."""

    def __init__(self, key: Ed25519PrivateKey) -> None:
        self._key = key
        self.public_key = key.public_key().public_bytes_raw()

    def sign(self, text: bytes) -> bytes:
        """Return the signature, 64 bytes."""
        return self._key.sign(text)


def ask_nobody() -> None:
    """Know no passphrase."""


def device_key(folder: Path, ask: Ask = ask_nobody) -> DeviceKey:
    """Return the device's key, made at first use with file mode 0600.

    The environment variable `STEADYPOINT_KEY_PASSPHRASE` encrypts the file that is made, or opens it.

    Args:
        folder: the home folder.
        ask: gives the passphrase where the file has one and the variable is not set.

    Raises:
        RecordError: the file cannot be read or written, or the passphrase is wrong.
    """
    path = folder / FILE_NAME
    passphrase = os.environ.get(PASSPHRASE, "").encode() or None
    try:
        (folder / "locks").mkdir(exist_ok=True)
        with FileLock(folder / "locks" / "device-key.lock"):
            key = _load(path, passphrase, ask) if path.exists() else _make(path, passphrase)
            _know(folder, OWN, key.public_key())
    except OSError as error:
        raise RecordError(f"{path}: the device's key cannot be kept here ({error.strerror})") from error
    return DeviceKey(key)


def own_public_key(folder: Path, ask: Ask = ask_nobody) -> str:
    """Return this device's public key in hex; its passphrase is not needed once the key was used."""
    path = folder / _KEYS / f"{OWN}.pem"
    if path.exists() and (folder / FILE_NAME).exists():
        with suppress(RecordError):
            return read_public_key(path)
    return device_key(folder, ask).public_key.hex()


def known_keys(folder: Path) -> dict[str, str]:
    """Return the names of the known keys, by public key in hex; a key of several files goes by the first.

    Raises:
        RecordError: a file among them is no Ed25519 public key.
    """
    known: dict[str, str] = {}
    for path in sorted((folder / _KEYS).glob("*.pem")):
        known.setdefault(read_public_key(path), path.stem)
    return known


def read_public_key(path: Path) -> str:
    """Read a public key's file, as `public_pem` writes it; return it in hex.

    Raises:
        RecordError: it cannot be read, or is no Ed25519 public key.
    """
    try:
        key = load_pem_public_key(path.read_bytes())
    except (OSError, ValueError, UnsupportedAlgorithm) as error:
        raise RecordError(f"{path}: is no public key in PEM ({error}); put it right or move it aside") from error
    if not isinstance(key, Ed25519PublicKey):
        raise RecordError(f"{path}: expected an Ed25519 public key, found another kind; move it aside")
    return key.public_bytes_raw().hex()


def note_key(folder: Path, public_key: str) -> None:
    """Keep a key that came with an import, under its fingerprint, so that another one in its place is noticed."""
    if public_key not in known_keys(folder):
        _know(folder, fingerprint(public_key), Ed25519PublicKey.from_public_bytes(bytes.fromhex(public_key)))


def public_pem(public_key: str) -> str:
    """Write a public key as the file that another machine can keep in its `keys/`."""
    key = Ed25519PublicKey.from_public_bytes(bytes.fromhex(public_key))
    return key.public_bytes(Encoding.PEM, PublicFormat.SubjectPublicKeyInfo).decode()


def _know(folder: Path, name: str, key: Ed25519PublicKey) -> None:
    path = folder / _KEYS / f"{name}.pem"
    text = public_pem(key.public_bytes_raw().hex())
    path.parent.mkdir(exist_ok=True)
    if not path.exists() or path.read_text(encoding="ascii", errors="replace") != text:
        replace_text(path, text)


def _make(path: Path, passphrase: bytes | None) -> Ed25519PrivateKey:
    key = Ed25519PrivateKey.generate()
    lock: KeySerializationEncryption = BestAvailableEncryption(passphrase) if passphrase else NoEncryption()
    replace_bytes(path, key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, lock))  # made with mode 0600
    return key


def _load(path: Path, passphrase: bytes | None, ask: Ask) -> Ed25519PrivateKey:
    data = path.read_bytes()
    try:
        try:
            key = load_pem_private_key(data, None)
        except TypeError:  # the file is encrypted
            key = load_pem_private_key(data, passphrase or ask())
    except (TypeError, ValueError, UnsupportedAlgorithm) as error:
        raise RecordError(
            f"{path}: the device's key cannot be read: the passphrase is wrong or missing, or the file is damaged"
        ) from error
    if not isinstance(key, Ed25519PrivateKey):
        raise RecordError(f"{path}: expected an Ed25519 key, found another kind; move it aside")
    return key
