"""Who gets what at the broker, asked of a real mosquitto with the shipped configuration."""

import re
import socket
import ssl
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from urllib.parse import urlsplit

import pytest
from cryptography.hazmat.primitives.serialization import Encoding

from broker_bench import Broker, Client, at_port, broker, free_ports, until
from meterlink.access.authority import authority, broker_certificate, write_key
from meterlink.access.broker_folder import BrokerFolder
from meterlink.access.credentials import Credentials
from waiting import PATIENCE_S

CREW = "steadypoint/1/crew/{}/log/20261127-abcd"
NOTE = "steadypoint/1/office/{}/note"
LOGS = "$share/{}/steadypoint/1/crew/+/log/+"
MOST = 262144

NOT_AUTHORISED = (0x86, 0x87)
"""MQTT 5, section 3.2.2.2: bad user name or password; not authorised."""


@pytest.fixture(scope="module")
def running(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Broker]:
    with broker(tmp_path_factory.mktemp("broker")) as running:
        yield running


@pytest.fixture(scope="module")
def let_in(running: Broker) -> dict[str, Credentials]:
    """Two crews and the office."""
    credentials = {name: running.folder.admit(name) for name in ("crew-1", "crew-2", "office")}
    running.read_again()
    return credentials


@pytest.fixture
def crew(let_in: dict[str, Credentials]) -> Iterator[Client]:
    with Client(let_in["crew-1"]) as client:
        yield client


@pytest.fixture
def other(let_in: dict[str, Credentials]) -> Iterator[Client]:
    with Client(let_in["crew-2"]) as client:
        yield client


@pytest.fixture
def office(let_in: dict[str, Credentials]) -> Iterator[Client]:
    with Client(let_in["office"], "office-process-1") as client:
        yield client


def shake_hands(credentials: Credentials, host: str = "localhost") -> None:
    """Open a TLS connection to the broker as somebody would who knows it by that name."""
    context = ssl.create_default_context(cadata=credentials.ca)
    with (
        socket.create_connection(("localhost", urlsplit(credentials.broker).port or 0), 10) as plain,
        context.wrap_socket(plain, server_hostname=host),
    ):
        pass


def say_all(crew: Client, office: Client) -> None:
    """Say something on every topic that a crew called crew-2 has no business with, and last something that it has."""
    crew.publish(CREW.format("crew-1"), b"reading")
    crew.publish("steadypoint/1/crew/crew-1/status", b"online", retain=True)
    office.publish(NOTE.format("crew-1"), b"note")
    office.publish("steadypoint/1/office/crew-1/ack/20261127-abcd", b"ack")
    office.publish(NOTE.format("crew-2"), b"last")


FOREIGN = [
    "steadypoint/1/crew/crew-1/log/+",
    "steadypoint/1/crew/crew-1/status",
    "steadypoint/1/office/crew-1/note",
    "steadypoint/1/office/+/note",
    "steadypoint/1/office/crew-1/ack/#",
    "steadypoint/#",
    "#",
    "+/+/+/+/#",
    "$SYS/#",
    "$SYS/broker/version",
    "$share/office/steadypoint/1/crew/+/log/+",
    "$share/office/#",
    "$share/other/steadypoint/1/office/+/note",
]


def test_a_crew_and_the_office_reach_each_other(crew: Client, office: Client, let_in: dict[str, Credentials]) -> None:
    office.subscribe(LOGS.format(let_in["office"].share))
    office.subscribe("steadypoint/1/crew/+/live/+")
    crew.subscribe("steadypoint/1/office/crew-1/#")
    assert not crew.publish(CREW.format("crew-1"), b"reading").is_failure
    assert not crew.publish("steadypoint/1/crew/crew-1/live/20261127-abcd", b"live").is_failure
    assert not office.publish(NOTE.format("crew-1"), b"probe X1:7 next").is_failure
    office.wait(lambda: len(office.got) >= 2)
    crew.wait(lambda: len(crew.got) >= 1)
    assert sorted(body for _, body in office.got) == [b"live", b"reading"]
    assert crew.got == [(NOTE.format("crew-1"), b"probe X1:7 next")]


@pytest.mark.parametrize("topic", FOREIGN)
def test_a_crew_reads_nothing_but_what_the_office_says_to_it(
    topic: str, crew: Client, other: Client, office: Client
) -> None:
    other.subscribe(topic)
    other.subscribe(NOTE.format("crew-2"))
    say_all(crew, office)
    other.wait_for(NOTE.format("crew-2"), b"last")
    assert {name for name, _ in other.got} == {NOTE.format("crew-2")}


def test_without_the_shipped_rights_each_of_these_would_be_answered(tmp_path: Path) -> None:
    """So the tests above can fail."""
    with broker(tmp_path) as running:
        (tmp_path / "crew.acl").write_text("pattern readwrite #\npattern read $SYS/#\n", encoding="ascii")
        credentials = {name: running.folder.admit(name) for name in ("crew-1", "crew-2", "office")}
        running.read_again()
        for topic in FOREIGN:
            with (
                Client(credentials["crew-1"]) as crew,
                Client(credentials["crew-2"]) as other,
                Client(credentials["office"]) as office,
            ):
                other.subscribe(topic)
                other.subscribe(NOTE.format("crew-2"))
                say_all(crew, office)
                other.wait_for(NOTE.format("crew-2"), b"last")
                assert {name for name, _ in other.got} - {NOTE.format("crew-2")}, topic


@pytest.mark.parametrize(
    "topic",
    [
        CREW.format("crew-1"),
        "steadypoint/1/crew/crew-1/status",
        NOTE.format("crew-1"),
        NOTE.format("crew-2"),
        "steadypoint/1/office/crew-1/ack/20261127-abcd",
        "steadypoint/1/crew/crew-2x/status",
        "steadypoint/1/crew",
        "steadypoint/2/crew/crew-2/status",
        "$SYS/broker/version",
        "$CONTROL/dynamic-security/v1",
        "anything",
    ],
)
def test_a_crew_writes_nothing_but_below_its_own_name(
    topic: str, crew: Client, other: Client, office: Client, let_in: dict[str, Credentials]
) -> None:
    office.subscribe("steadypoint/1/crew/#")
    crew.subscribe("steadypoint/1/office/crew-1/#")
    assert other.publish(topic, b"forged", retain=True).value in NOT_AUTHORISED
    other.publish(CREW.format("crew-2"), b"mine")
    office.publish(NOTE.format("crew-1"), b"last")
    office.wait_for(CREW.format("crew-2"), b"mine")
    crew.wait_for(NOTE.format("crew-1"), b"last")
    assert b"forged" not in {body for _, body in office.got + crew.got}


@pytest.mark.parametrize(("whose", "arrives"), [("crew-1", False), ("crew-2", True)])
def test_a_last_will_is_published_on_a_topic_of_one_s_own_only(
    whose: str, arrives: bool, *, running: Broker, crew: Client, office: Client, let_in: dict[str, Credentials]
) -> None:
    office.subscribe("steadypoint/1/crew/+/will")
    gone = running.said().count("crew-2")
    with Client(let_in["crew-2"], will=f"steadypoint/1/crew/{whose}/will") as client:
        client.break_off()
    until(lambda: running.said().count("crew-2") >= gone + 2, running.said)  # came, and went
    crew.publish("steadypoint/1/crew/crew-1/will", b"last")
    office.wait_for("steadypoint/1/crew/crew-1/will", b"last")
    assert (b"gone" in {body for _, body in office.got}) is arrives


@pytest.mark.parametrize("share", ["office", "steadypoint", "office-00000000000000000000000000000000"])
def test_a_crew_that_joins_a_shared_subscription_takes_nothing_from_the_office(
    share: str, crew: Client, other: Client, office: Client, let_in: dict[str, Credentials]
) -> None:
    office.subscribe(LOGS.format(let_in["office"].share))
    other.subscribe(LOGS.format(share))
    for number in range(20):
        crew.publish(CREW.format("crew-1"), f"{number}".encode())
    office.wait(lambda: len(office.got) == 20)
    assert [body for _, body in office.got] == [f"{number}".encode() for number in range(20)]
    assert other.got == []


def test_why_the_name_of_the_shared_subscription_is_secret(
    crew: Client, other: Client, office: Client, let_in: dict[str, Credentials]
) -> None:
    """mosquitto deals messages to a member that may not read them, and drops them there."""
    office.subscribe(LOGS.format(let_in["office"].share))
    office.subscribe("steadypoint/1/crew/+/status")
    other.subscribe(LOGS.format(let_in["office"].share))
    for number in range(20):
        crew.publish(CREW.format("crew-1"), f"{number}".encode())
    crew.publish("steadypoint/1/crew/crew-1/status", b"last")
    office.wait_for("steadypoint/1/crew/crew-1/status", b"last")
    assert len([name for name, _ in office.got if "/log/" in name]) == 10
    assert other.got == []


def test_a_crew_takes_over_no_other_s_session(crew: Client, office: Client, let_in: dict[str, Credentials]) -> None:
    crew.subscribe("steadypoint/1/office/crew-1/#")
    for taken in ("crew-1", "office-process-1"):
        with Client(let_in["crew-2"], client_id=taken) as thief:
            thief.subscribe("steadypoint/1/office/crew-2/#")
            office.publish(NOTE.format("crew-1"), taken.encode())
            office.publish(NOTE.format("crew-2"), b"last")
            thief.wait_for(NOTE.format("crew-2"), b"last")
            assert thief.got == [(NOTE.format("crew-2"), b"last")]
    crew.wait(lambda: len(crew.got) == 2)
    assert crew.disconnected is None
    assert office.disconnected is None


def test_whoever_has_no_right_password_for_that_port_stays_out(let_in: dict[str, Credentials]) -> None:
    crew, office = let_in["crew-1"], let_in["office"]
    crew_port, office_port = (urlsplit(each.broker).port or 0 for each in (crew, office))
    for wrong in (
        replace(crew, user="", password=""),
        replace(crew, password="guess"),  # noqa: S106
        replace(crew, password=""),
        replace(crew, password=let_in["crew-2"].password),
        replace(crew, user="crew-9"),
        replace(crew, user="crew-+"),
        replace(crew, user="#"),
        at_port(crew, office_port),
        at_port(office, crew_port),
    ):
        with Client(wrong, "somebody") as client:
            assert client.connected is not None
            assert client.connected.value in NOT_AUTHORISED


def test_a_message_that_is_too_large_is_refused_and_harms_nobody(
    crew: Client, other: Client, office: Client, let_in: dict[str, Credentials]
) -> None:
    office.subscribe("steadypoint/1/crew/+/log/+")
    fits = bytes(MOST - 1024)
    assert not crew.publish(CREW.format("crew-1"), fits).is_failure
    assert crew.publish(CREW.format("crew-1"), bytes(MOST + 1)).is_failure
    assert crew.disconnected is not None  # with 0x95, packet too large, if that still reaches who is busy sending
    other.publish(CREW.format("crew-2"), b"still here")
    office.wait_for(CREW.format("crew-2"), b"still here")
    assert {len(body) for _, body in office.got} == {len(fits), len(b"still here")}
    with Client(let_in["crew-1"]) as again:
        assert not again.publish(CREW.format("crew-1"), b"back").is_failure


def test_nothing_is_said_in_the_clear(let_in: dict[str, Credentials]) -> None:
    port = urlsplit(let_in["crew-1"].broker).port or 0
    connect = bytes.fromhex("101000044d515454050200 3c 00 00 03 613162".replace(" ", ""))  # MQTT 5 CONNECT, id a1b
    with socket.create_connection(("localhost", port), 10) as plain:
        plain.sendall(connect)
        plain.settimeout(PATIENCE_S)
        try:
            answer = plain.recv(64)
        except ConnectionResetError:
            answer = b""
    assert not answer.startswith(b"\x20")  # no CONNACK


@pytest.mark.parametrize("version", [ssl.TLSVersion.TLSv1, ssl.TLSVersion.TLSv1_1])
@pytest.mark.filterwarnings("ignore:.*TLSv1.*:DeprecationWarning")
def test_old_tls_is_refused(version: ssl.TLSVersion, let_in: dict[str, Credentials]) -> None:
    credentials = let_in["crew-1"]
    context = ssl.create_default_context(cadata=credentials.ca)
    context.set_ciphers("ALL:@SECLEVEL=0")
    context.minimum_version = context.maximum_version = version
    with (
        socket.create_connection(("localhost", urlsplit(credentials.broker).port or 0), 10) as plain,
        pytest.raises((ssl.SSLError, ConnectionResetError)),
    ):
        context.wrap_socket(plain, server_hostname="localhost")


def test_another_authority_s_word_is_not_taken(let_in: dict[str, Credentials], tmp_path: Path) -> None:
    shake_hands(let_in["crew-1"])
    for ca in (authority(tmp_path).pem, None):  # one of the same name, and the system's own
        with pytest.raises(ssl.SSLCertVerificationError, match=r"unable to get|self-signed|signature"):
            shake_hands(replace(let_in["crew-1"], ca=ca))


@pytest.mark.parametrize("host", ["127.0.0.1", "broker.example", "127.0.0.2"])
def test_a_certificate_for_another_host_is_not_taken(host: str, let_in: dict[str, Credentials]) -> None:
    if host == "127.0.0.1":
        shake_hands(let_in["crew-1"], host)
    else:
        with pytest.raises(ssl.SSLCertVerificationError, match=r"(?i)mismatch|not valid for"):
            shake_hands(let_in["crew-1"], host)


def test_an_expired_certificate_is_not_taken_and_its_end_is_told(tmp_path: Path) -> None:
    folder = BrokerFolder(tmp_path)
    crew_port, office_port = free_ports(2)
    folder.set_up("localhost", crew_port=crew_port, office_port=office_port)
    assert folder.expiring() == []
    signer = authority(tmp_path)
    key, certificate = broker_certificate(signer, "localhost", now=datetime.now(UTC) - timedelta(days=3), days=2)
    write_key(tmp_path / "server.key", key)
    (tmp_path / "server.pem").write_bytes(certificate.public_bytes(Encoding.PEM))
    (told,) = folder.expiring()
    assert "has expired" in told
    running = Broker(folder)
    running.start()
    try:
        with pytest.raises(ssl.SSLCertVerificationError, match="expired"):
            shake_hands(folder.admit("crew-1"))
        folder.set_up("localhost")
        assert folder.expiring() == []
        renewed = folder.admit("crew-1")
        running.read_again()
        with Client(renewed) as client:
            assert client.connected is not None
            assert not client.connected.is_failure
    finally:
        running.stop()
    (soon,) = folder.expiring(datetime.now(UTC) + timedelta(days=350))
    assert "ends in 4" in soon


def test_a_new_password_voids_the_old_one_and_a_revoked_device_is_put_out(running: Broker) -> None:
    first = running.folder.admit("crew-7")
    running.read_again()
    with Client(first) as before:
        second = running.folder.admit("crew-7")
        running.read_again()
        before.wait(lambda: before.disconnected is not None)
    with Client(first) as old:
        assert old.connected is not None
        assert old.connected.value in NOT_AUTHORISED
    with Client(second) as new:
        assert not new.publish("steadypoint/1/crew/crew-7/status", b"online").is_failure
        assert running.folder.dismiss("crew-7")
        running.read_again()
        new.wait(lambda: new.disconnected is not None)
    assert not running.folder.dismiss("crew-7")


def test_the_broker_complains_of_nothing_in_its_configuration(running: Broker) -> None:
    said = running.said().replace("Warning: Mosquitto should not be run as root/administrator.", "")
    start = said.partition(" running")[0]
    ports = set(re.findall(r"listen socket on port (\d+)", start))
    assert ports == {str(urlsplit(running.folder.admit(name).broker).port) for name in ("crew-8", "office")}
    assert not re.search("(?i)warning|error|deprecated|recommended|unable", start)
