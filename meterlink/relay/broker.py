"""One connection to a broker: MQTT 5, certificates checked, what a client says of itself."""

import asyncio
import logging
import ssl
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any

import aiomqtt
from cryptography.x509 import load_pem_x509_certificate
from cryptography.x509.oid import NameOID
from paho.mqtt.client import MQTT_CLEAN_START_FIRST_ONLY
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from meterlink.errors import FileError, MeterlinkError, UsageError
from meterlink.relay.address import Address

KEEPALIVE_S = 15
"""A link that is dead in silence is noticed after one and a half of it."""
Hear = Callable[[aiomqtt.Message], None]

_CONNECT_S = 15.0
_LOGGER = logging.getLogger("steadypoint.mqtt")
_LOGGER.addHandler(logging.NullHandler())
_LOGGER.propagate = False
"""What matters of a connection is told in our own words; this one would add its own to the terminal."""
_TAKEN_OVER = 0x8E
_NOT_LET_IN = {0x84, 0x85, 0x86, 0x87, 0x8A, 0x8C}
"""Reason codes that trying again does not change (MQTT 5, 2.4): protocol, client id, password, rights, ban."""


class BrokerError(MeterlinkError):
    """The broker cannot be reached, or the connection broke; another attempt may succeed."""

    def __init__(self, message: str, *, taken_over: bool = False) -> None:
        self.taken_over = taken_over
        """Whether another client of the same name pushed this one out."""
        super().__init__(message)


class NotLetInError(MeterlinkError):
    """The broker, or its certificate, is not right; trying again will not help."""


@dataclass(frozen=True, slots=True)
class Broker:
    """A broker, and who we are to it."""

    address: Address
    user: str | None = None
    password: str | None = field(default=None, repr=False)
    ca: str | None = field(default=None, repr=False)
    """Certificates to trust, as PEM; None: the system's."""
    certificate: str | None = None
    """The file of our own certificate and key, as PEM, where the broker asks for one."""
    share: str | None = None
    """The name of the office's shared subscription."""

    def tls(self) -> ssl.SSLContext | None:
        """Return how the connection is encrypted: host name and certificate chain are always checked.

        Raises:
            UsageError: a certificate cannot be used.
        """
        if not self.address.encrypted:
            return None
        try:
            context = ssl.create_default_context(cadata=self.ca)
            context.minimum_version = ssl.TLSVersion.TLSv1_2
            if self.certificate:
                context.load_cert_chain(self.certificate)
        except (OSError, ValueError) as error:  # ssl.SSLError is an OSError
            raise UsageError(f"certificate of or for {self.address}: {error}") from error
        return context


@dataclass(frozen=True, slots=True)
class Session:
    """How a client wants to be remembered."""

    client_id: str
    expiry_s: int = 0
    """For how long the broker keeps what it could not deliver, after the connection ends."""
    receive_maximum: int = 50
    """So many messages of QoS 1 may come unacknowledged."""
    largest_packet: int = 300 * 1024
    """Bytes; the broker keeps back what is larger."""
    will: aiomqtt.Will | None = None


class _Heard(asyncio.Queue[aiomqtt.Message]):
    """In the place of aiomqtt's queue: hands each message on at once, and holds none.

    Its own way, an iterator that starts two tasks for each message, takes longer than to take the message in.
    """

    def __init__(self, hear: Hear, maxsize: int = 0) -> None:
        super().__init__(maxsize)
        self._hear = hear

    def put_nowait(self, item: aiomqtt.Message) -> None:
        """Hand it on."""
        self._hear(item)


async def until_broken(client: aiomqtt.Client) -> None:
    """Wait until the connection breaks; for a client whose messages are handed on as they come.

    Raises:
        aiomqtt.MqttError: it broke.
    """
    async for _ in client.messages:
        """None comes this way."""


def ignore_closed_sockets() -> None:
    """Keep the event loop from printing what aiomqtt leaves behind where a connection breaks in the wrong moment.

    It asks the loop from another thread to watch a socket that is closed by then; the break itself is told elsewhere.
    """
    loop = asyncio.get_running_loop()

    def handle(loop: asyncio.AbstractEventLoop, context: dict[str, Any]) -> None:
        if not isinstance(context.get("exception"), OSError | ValueError) or "add_" not in str(context.get("handle")):
            loop.default_exception_handler(context)

    loop.set_exception_handler(handle)


@asynccontextmanager
async def connected(broker: Broker, session: Session, hear: Hear) -> AsyncIterator[aiomqtt.Client]:
    """Be connected while the block runs.

    Args:
        broker: where, and who we are there.
        session: how we want to be remembered.
        hear: gets each message as it comes, in the event loop; it must not wait.

    Raises:
        BrokerError: there is no connection, or it broke.
        NotLetInError: there never will be, as things are.
    """
    properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call] # paho says no types here
    properties.SessionExpiryInterval = session.expiry_s
    properties.ReceiveMaximum = session.receive_maximum
    properties.MaximumPacketSize = session.largest_packet
    client = aiomqtt.Client(
        broker.address.host,
        broker.address.port,
        username=broker.user,
        password=broker.password,
        identifier=session.client_id,
        protocol=aiomqtt.ProtocolVersion.V5,
        will=session.will,
        keepalive=KEEPALIVE_S,
        max_inflight_messages=100,
        timeout=_CONNECT_S,
        # A session that the broker still has is gone on with; one without expiry begins clean anyway.
        clean_start=MQTT_CLEAN_START_FIRST_ONLY if not session.expiry_s else False,
        queue_type=partial(_Heard, hear),  # type: ignore[arg-type] # it is called with a size, and nothing else
        properties=properties,
        tls_context=broker.tls(),
        logger=_LOGGER,
    )
    client.pending_calls_threshold = 1000
    try:
        async with client:
            yield client
    except aiomqtt.MqttError as error:
        raise _told(broker.address, error) from error
    except ssl.SSLError as error:
        raise NotLetInError(f"broker {broker.address}: {error}") from error


def certificate_name(path: str) -> str:
    """Return the common name of a client certificate, by which a broker knows its user.

    Raises:
        FileError: it is no certificate with a name.
    """
    try:
        certificate = load_pem_x509_certificate(Path(path).read_bytes())
        (name,) = certificate.subject.get_attributes_for_oid(NameOID.COMMON_NAME)
    except (OSError, ValueError) as error:
        raise FileError(path, f"expected a certificate with a common name, in PEM ({error})") from error
    return str(name.value)


def correlated(correlation: bytes) -> Properties:
    """Return the properties of a message that carries correlation data."""
    properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call] # paho says no types here
    if correlation:
        properties.CorrelationData = correlation
    return properties


def correlation_of(message: aiomqtt.Message) -> bytes:
    """Return a message's correlation data; empty where it has none."""
    data = getattr(message.properties, "CorrelationData", b"")
    return data if isinstance(data, bytes) else b""


def _told(address: Address, error: aiomqtt.MqttError) -> MeterlinkError:
    reason = getattr(getattr(error, "rc", None), "value", None)
    if reason in _NOT_LET_IN:
        return NotLetInError(f"broker {address} does not let this client in: {error}; check user, password and rights")
    if "CERTIFICATE_VERIFY_FAILED" in str(error):
        return NotLetInError(f"broker {address}: its certificate is not right: {error}")
    return BrokerError(f"broker {address}: {error}", taken_over=reason == _TAKEN_OVER)
