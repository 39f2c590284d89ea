"""Certificates of an authority of the test's own: for a broker and a client; right, expired, for another host."""

import ipaddress
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat
from cryptography.x509.oid import NameOID


def _named(name: str) -> x509.Name:
    return x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])


@dataclass
class Authority:
    """Signs."""

    folder: Path

    def __post_init__(self) -> None:
        self._key = ec.generate_private_key(ec.SECP256R1())
        self._name = _named("authority of a test")
        now = datetime.now(UTC)
        self._certificate = (
            x509.CertificateBuilder()
            .subject_name(self._name)
            .issuer_name(self._name)
            .public_key(self._key.public_key())
            .serial_number(x509.random_serial_number())
            .not_valid_before(now - timedelta(days=800))
            .not_valid_after(now + timedelta(days=800))
            .add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
            .add_extension(x509.SubjectKeyIdentifier.from_public_key(self._key.public_key()), critical=False)
            .add_extension(
                x509.KeyUsage(
                    digital_signature=True,
                    key_cert_sign=True,
                    crl_sign=True,
                    content_commitment=False,
                    key_encipherment=False,
                    data_encipherment=False,
                    key_agreement=False,
                    encipher_only=False,
                    decipher_only=False,
                ),
                critical=True,
            )
            .sign(self._key, hashes.SHA256())
        )
        self.pem = self._certificate.public_bytes(Encoding.PEM).decode()
        self.path = self.folder / "ca.pem"
        self.path.write_text(self.pem, encoding="ascii")

    def issue(self, name: str, *, host: str = "127.0.0.1", days: int = 30) -> Path:
        """Return a file with certificate and key, valid for so many days from now, or until so many days ago."""
        key, now = ec.generate_private_key(ec.SECP256R1()), datetime.now(UTC)
        try:
            alternative: x509.GeneralName = x509.IPAddress(ipaddress.ip_address(host))
        except ValueError:
            alternative = x509.DNSName(host)
        certificate = (
            x509.CertificateBuilder()
            .subject_name(_named(name))
            .issuer_name(self._name)
            .public_key(key.public_key())
            .serial_number(x509.random_serial_number())
            .not_valid_before(now - timedelta(days=400))
            .not_valid_after(now + timedelta(days=days))
            .add_extension(x509.SubjectAlternativeName([alternative]), critical=False)
            .add_extension(x509.AuthorityKeyIdentifier.from_issuer_public_key(self._key.public_key()), critical=False)
            .sign(self._key, hashes.SHA256())
        )
        path = self.folder / f"{name}-{host}-{days}.pem"
        pem = key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption())
        path.write_bytes(certificate.public_bytes(Encoding.PEM) + pem)
        path.chmod(0o600)
        return path
