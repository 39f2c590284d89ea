"""The seal: a device's Ed25519 signature (RFC 8032) under a job's chain up to one line."""

import hashlib
from dataclasses import dataclass
from typing import Protocol

from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

from meterlink.outcome import Json
from meterlink.record.chain import canonical

VERSION = 1
"""Goes up when what is signed changes."""


class Signer(Protocol):
    """Who seals."""

    public_key: bytes
    """The 32 bytes of an Ed25519 public key."""

    def sign(self, text: bytes) -> bytes:
        """Return the signature, 64 bytes."""


@dataclass(frozen=True, slots=True)
class Seal:
    """A seal as stored. Hashes, key and signature are in lower-case hex."""

    job: str
    events: int
    """The number of the last line that it covers."""
    head: str
    """The hash of that line."""
    utc_ns: int
    """When it was sealed, by the device's wall clock: nanoseconds since 1970-01-01T00:00:00Z."""
    public_key: str
    signature: str

    @property
    def signed(self) -> Json:
        """What is signed: all but the signature, the time as decimal text."""
        return {
            "events": self.events,
            "head": self.head,
            "job": self.job,
            "public_key": self.public_key,
            "seal": VERSION,
            "utc_ns": str(self.utc_ns),
        }

    @property
    def text(self) -> bytes:
        """The same as canonical JSON."""
        return canonical(self.signed)

    @property
    def holds(self) -> bool:
        """Whether the signature is this key's, under this text."""
        try:
            key = Ed25519PublicKey.from_public_bytes(bytes.fromhex(self.public_key))
            signature = bytes.fromhex(self.signature)
            key.verify(signature, self.text)
        except (InvalidSignature, ValueError):
            return False
        return self.signature == signature.hex()  # nor is it written in another way


def seal(job: str, events: int, head: str, utc_ns: int, signer: Signer) -> Seal:
    """Seal a job's chain up to a line."""
    unsigned = Seal(job, events, head, utc_ns, signer.public_key.hex(), "")
    return Seal(job, events, head, utc_ns, unsigned.public_key, signer.sign(unsigned.text).hex())


def fingerprint(public_key: str) -> str:
    """Return a key's short name, to be read out on the phone: `4f3a-91c2-77b0-e6d1`, of the SHA-256 of its 32 bytes."""
    try:
        short = hashlib.sha256(bytes.fromhex(public_key)).hexdigest()[:16]
    except ValueError:
        return "that is none"
    return "-".join(short[start : start + 4] for start in range(0, 16, 4))
