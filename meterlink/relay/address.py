"""Where a broker is, and whether it may be spoken to in the clear. Pure."""

import ipaddress
import re
from dataclasses import dataclass

from meterlink.errors import UsageError

_URL = re.compile(r"(mqtts?)://(\[[0-9a-fA-F:.]+\]|[A-Za-z0-9.-]+)(?::([0-9]{1,5}))?/?")
_EXPECTED = "expected mqtts://HOST:PORT, or mqtt://HOST:PORT on this machine"
_PORTS = {"mqtt": 1883, "mqtts": 8883}
"""As registered (IANA service names)."""


@dataclass(frozen=True, slots=True)
class Address:
    """A broker's address."""

    host: str
    port: int
    encrypted: bool

    def __str__(self) -> str:
        host = f"[{self.host}]" if ":" in self.host else self.host
        return f"mqtt{'s' if self.encrypted else ''}://{host}:{self.port}"

    @property
    def loopback(self) -> bool:
        """Whether it is this machine itself."""
        try:
            return ipaddress.ip_address(self.host).is_loopback
        except ValueError:
            return self.host == "localhost"


def parse_address(url: str, *, insecure: bool) -> Address:
    """Read a broker's URL.

    Args:
        url: `mqtt://HOST:PORT` or `mqtts://HOST:PORT`.
        insecure: whether another machine may be spoken to in the clear.

    Raises:
        UsageError: it is none, or would be in the clear without leave.
    """
    if "@" in url:
        raise UsageError("user and password have no place in the broker's URL, which others can see; see --credentials")
    found = _URL.fullmatch(url)
    if found is None:
        raise UsageError(f"broker {url!r}: {_EXPECTED}")
    scheme, host, port = found.groups()
    number = int(port or _PORTS[scheme])
    if not 0 < number < 65536:
        raise UsageError(f"broker {url!r}: there is no port {number}; {_EXPECTED}")
    address = Address(host.strip("[]"), number, scheme == "mqtts")
    if not address.encrypted and not address.loopback and not insecure:
        raise UsageError(
            f"broker {url}: on the way to another machine everything could be read and altered; use mqtts://, or "
            "say --insecure"
        )
    return address
