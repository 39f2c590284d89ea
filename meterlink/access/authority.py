"""A private certificate authority for the broker, and the broker's certificate.

Keys are of the curve P-256, certificates X.509 version 3 (RFC 5280). The authority's key stays in the broker's folder;
whoever has it can pose as the broker, so it is for its owner alone.
"""

import ipaddress
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

from cryptography import x509
from cryptography.exceptions import UnsupportedAlgorithm
from cryptography.hazmat.primitives.asymmetric.ec import SECP256R1, EllipticCurvePrivateKey, generate_private_key
from cryptography.hazmat.primitives.hashes import SHA256
from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat, load_pem_private_key
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

from meterlink.errors import FileError, UsageError
from meterlink.file_change import replace_bytes

AUTHORITY_DAYS = 3650
SERVER_DAYS = 397
"""What browsers accept at most of a public certificate (CA/Browser Forum, from memory); a good habit here too."""
TOLD_DAYS = 60
"""So many days before its end an expiry is told."""

_CLOCKS_APART = timedelta(days=1)
"""A crew's clock may be slow: certificates hold from a day ago on."""


@dataclass(frozen=True, slots=True)
class Authority:
    """Signs the broker's certificates."""

    key: EllipticCurvePrivateKey
    certificate: x509.Certificate

    @property
    def pem(self) -> str:
        """The certificate, for whoever is to trust it."""
        return self.certificate.public_bytes(Encoding.PEM).decode()


def authority(folder: Path) -> Authority:
    """Return the folder's authority, made at first use: `ca.key` and `ca.pem`.

    Raises:
        FileError: its files cannot be read or written, or are no authority.
    """
    key_path, path = folder / "ca.key", folder / "ca.pem"
    if not key_path.exists() and not path.exists():
        made = _made_authority()
        write_key(key_path, made.key)
        write_file(path, made.pem.encode())
        return made
    try:
        key = load_pem_private_key(key_path.read_bytes(), None)
    except OSError as error:
        raise FileError(str(key_path), error.strerror or "cannot be read") from error
    except (TypeError, ValueError, UnsupportedAlgorithm) as error:
        raise FileError(str(key_path), "expected the authority's private key in PEM, without a passphrase") from error
    if not isinstance(key, EllipticCurvePrivateKey):
        raise FileError(str(key_path), "expected a key of an elliptic curve")
    certificate = read_certificate(path)
    if certificate.public_key() != key.public_key():
        raise FileError(str(path), "is not the certificate of the key in ca.key")
    return Authority(key, certificate)


def broker_certificate(
    signer: Authority, host: str, *, now: datetime | None = None, days: int = SERVER_DAYS
) -> tuple[EllipticCurvePrivateKey, x509.Certificate]:
    """Make a key and a certificate for a broker.

    Args:
        signer: who signs.
        host: the name or address that devices reach it by. `localhost` and the loopback addresses are added.
        now: when; now unless given.
        days: how long it holds, at most as long as the signer's.
    """
    begin = (now or datetime.now(UTC)) - _CLOCKS_APART
    end = min(begin + _CLOCKS_APART + timedelta(days=days), signer.certificate.not_valid_after_utc)
    key = generate_private_key(SECP256R1())
    names = dict.fromkeys([_general_name(each) for each in (host, "localhost", "127.0.0.1", "::1")])
    usage = x509.ExtendedKeyUsage([ExtendedKeyUsageOID.SERVER_AUTH])
    builder = (
        _builder(_name(host), signer.certificate.subject, key, begin, end)
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(x509.SubjectAlternativeName(names), critical=False)
        .add_extension(usage, critical=False)
        .add_extension(_key_usage(signs_certificates=False), critical=True)
        .add_extension(
            x509.AuthorityKeyIdentifier.from_issuer_public_key(signer.key.public_key()),
            critical=False,
        )
    )
    return key, builder.sign(signer.key, SHA256())


def read_certificate(path: Path) -> x509.Certificate:
    """Read a certificate; of a chain its first, which is the server's own.

    Raises:
        FileError: there is none.
    """
    try:
        return x509.load_pem_x509_certificate(path.read_bytes())
    except OSError as error:
        raise FileError(str(path), error.strerror or "cannot be read") from error
    except ValueError as error:
        raise FileError(str(path), "expected a certificate in PEM") from error


def host_names(certificate: x509.Certificate) -> list[str]:
    """Return the DNS names that a certificate is for, in lower case, without wildcards."""
    try:
        names = certificate.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    except x509.ExtensionNotFound:
        return []
    return [name.lower() for name in names.get_values_for_type(x509.DNSName) if "*" not in name]


def days_left(certificate: x509.Certificate, now: datetime) -> int:
    """Return for how many whole days a certificate still holds; negative where it has expired."""
    return (certificate.not_valid_after_utc - now).days


def write_key(path: Path, key: EllipticCurvePrivateKey) -> None:
    """Write a private key with mode 0600.

    Raises:
        FileError: it cannot be written.
    """
    write_file(path, key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption()))


def write_file(path: Path, data: bytes) -> None:
    """Write a file with mode 0600.

    Raises:
        FileError: it cannot be written.
    """
    try:
        replace_bytes(path, data)
    except OSError as error:
        raise FileError(str(path), error.strerror or "cannot be written") from error


def checked_host(text: str) -> str:
    """Return a host's name or address as a certificate and a URL can have it.

    Raises:
        UsageError: it is none.
    """
    try:
        return str(ipaddress.ip_address(text))
    except ValueError:
        labels = text.rstrip(".").split(".")
    fine = all(0 < len(label) <= 63 and label.strip("-") == label for label in labels)
    if not (fine and len(text) <= 253 and text.isascii() and text.replace("-", "").replace(".", "").isalnum()):
        raise UsageError(f"--broker-host {text!r}: expected a host's name or address")
    return text.lower()


def _made_authority() -> Authority:
    now = datetime.now(UTC) - _CLOCKS_APART
    key = generate_private_key(SECP256R1())
    name = _name("Steadypoint broker authority")
    builder = (
        _builder(name, name, key, now, now + timedelta(days=AUTHORITY_DAYS))
        .add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
        .add_extension(_key_usage(signs_certificates=True), critical=True)
    )
    return Authority(key, builder.sign(key, SHA256()))


def _builder(
    subject: x509.Name, issuer: x509.Name, key: EllipticCurvePrivateKey, begin: datetime, end: datetime
) -> x509.CertificateBuilder:
    return (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(issuer)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(begin)
        .not_valid_after(end)
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(key.public_key()), critical=False)
    )


def _key_usage(*, signs_certificates: bool) -> x509.KeyUsage:
    return x509.KeyUsage(
        digital_signature=not signs_certificates,
        content_commitment=False,
        key_encipherment=False,
        data_encipherment=False,
        key_agreement=False,
        key_cert_sign=signs_certificates,
        crl_sign=signs_certificates,
        encipher_only=False,
        decipher_only=False,
    )


def _name(common: str) -> x509.Name:
    return x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, common[:64])])


def _general_name(host: str) -> x509.GeneralName:
    try:
        return x509.IPAddress(ipaddress.ip_address(host))
    except ValueError:
        return x509.DNSName(host)
