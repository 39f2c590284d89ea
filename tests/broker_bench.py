"""A real mosquitto with the shipped configuration, and clients that speak to it over TLS."""

import os
import shutil
import signal
import socket
import ssl
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Self
from urllib.parse import urlsplit

import pytest
from paho.mqtt.client import Client as Paho
from paho.mqtt.client import ConnectFlags, DisconnectFlags, MQTTMessage, MQTTv5
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from meterlink.access.broker_folder import BrokerFolder
from meterlink.access.credentials import Credentials
from waiting import PATIENCE_S

MOSQUITTO = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin")


class Broker:
    """mosquitto, run from a broker's folder."""

    def __init__(self, folder: BrokerFolder) -> None:
        self.folder = folder
        self._log = folder.path / "log"
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        """Start it, and wait until both of its ports answer."""
        configuration = self.folder.path / "mosquitto.conf"
        if os.geteuid() == 0:  # it would give its rights up, and with them those to its own folder
            whole = configuration.read_text(encoding="utf-8")
            configuration = self.folder.path / "as-root.conf"
            configuration.write_text(f"{whole}\nuser root\n", encoding="utf-8")
        assert MOSQUITTO is not None
        with self._log.open("ab") as log:
            self._process = subprocess.Popen([MOSQUITTO, "-c", str(configuration)], stdout=log, stderr=log)
        until(lambda: " running" in self.said(), self.said)  # both ports are open then

    def read_again(self) -> None:
        """Have it read its passwords and rights again."""
        assert self._process is not None
        before = self.said().count("Reloading config")
        self._process.send_signal(signal.SIGHUP)
        until(lambda: self.said().count("Reloading config") > before, self.said)

    def stop(self) -> None:
        """End it in order."""
        if self._process is not None:
            self._process.terminate()
            self._process.wait(PATIENCE_S)

    def said(self) -> str:
        """What it has logged."""
        return self._log.read_text(encoding="utf-8", errors="replace")


class Client:
    """One client; what arrives is kept."""

    def __init__(
        self, credentials: Credentials, client_id: str = "", *, tls: bool = True, will: str | None = None
    ) -> None:
        self.got: list[tuple[str, bytes]] = []
        self.answers: dict[int, ReasonCode] = {}
        self.connected: ReasonCode | None = None
        self.disconnected: ReasonCode | None = None
        self._news = threading.Condition()
        self._paho = Paho(CallbackAPIVersion.VERSION2, client_id or credentials.user, protocol=MQTTv5)
        if credentials.user:
            self._paho.username_pw_set(credentials.user, credentials.password)
        if tls:
            self._paho.tls_set_context(ssl.create_default_context(cadata=credentials.ca))
        if will is not None:
            self._paho.will_set(will, b"gone", qos=1, retain=True)
        self._paho.on_message = self._take
        self._paho.on_connect = self._connected
        self._paho.on_disconnect = self._disconnected
        self._paho.on_publish = self._answered
        self._paho.on_subscribe = self._subscribed
        split = urlsplit(credentials.broker)
        assert split.hostname is not None
        self._paho.connect(split.hostname, _port(credentials))
        self._paho.loop_start()
        self.wait(lambda: self.connected is not None or self.disconnected is not None)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Leave."""
        self._paho.disconnect()
        self._paho.loop_stop()

    def break_off(self) -> None:
        """Be cut off without a word, so that the broker publishes the last will."""
        link = self._paho.socket()
        assert isinstance(link, socket.socket)
        link.shutdown(socket.SHUT_RDWR)
        self.wait(lambda: self.disconnected is not None)

    def subscribe(self, topic: str) -> None:
        """Subscribe, and wait for the answer, whatever it is."""
        _, number = self._paho.subscribe(topic, qos=1)
        assert number is not None
        self.wait(lambda: number in self.answers)

    def publish(self, topic: str, payload: bytes = b"x", *, retain: bool = False) -> ReasonCode:
        """Publish at QoS 1, and return what the broker says to it."""
        number = self._paho.publish(topic, payload, qos=1, retain=retain).mid
        self.wait(lambda: number in self.answers or self.disconnected is not None)
        answer = self.answers.get(number, self.disconnected)
        assert answer is not None
        return answer

    def wait_for(self, topic: str, body: bytes) -> None:
        """Wait until that has arrived."""
        self.wait(lambda: (topic, body) in self.got)

    def wait(self, holds: Callable[[], bool]) -> None:
        """Wait until that holds."""
        with self._news:
            assert self._news.wait_for(holds, PATIENCE_S), (self.connected, self.disconnected, self.got)

    def _tell(self) -> None:
        with self._news:
            self._news.notify_all()

    def _take(self, _: Paho, __: object, message: MQTTMessage) -> None:
        self.got.append((message.topic, bytes(message.payload)))
        self._tell()

    def _connected(
        self, _: Paho, __: object, flags: ConnectFlags, reason: ReasonCode, properties: Properties | None
    ) -> None:
        self.connected = reason
        self._tell()

    def _disconnected(
        self, paho: Paho, _: object, flags: DisconnectFlags, reason: ReasonCode, properties: Properties | None
    ) -> None:
        self.disconnected = reason
        paho.disconnect()  # do not come back by itself
        self._tell()

    def _answered(self, _: Paho, __: object, number: int, reason: ReasonCode, properties: Properties | None) -> None:
        self.answers[number] = reason
        self._tell()

    def _subscribed(
        self, _: Paho, __: object, number: int, reasons: list[ReasonCode], properties: Properties | None
    ) -> None:
        self.answers[number] = reasons[0]
        self._tell()


@contextmanager
def broker(path: Path) -> Iterator[Broker]:
    """A broker that runs; where there is no mosquitto, the test is skipped, but never in CI."""
    if MOSQUITTO is None:
        message = "mosquitto is not installed (Debian package mosquitto)"
        if os.environ.get("CI"):
            pytest.fail(message)
        pytest.skip(message)
    folder = BrokerFolder(path)
    crew_port, office_port = free_ports(2)
    folder.set_up("localhost", crew_port=crew_port, office_port=office_port)
    running = Broker(folder)
    with ExitStack() as ends:
        ends.callback(running.stop)
        running.start()
        yield running


def free_ports(count: int) -> list[int]:
    """Ports that nobody listens at just now."""
    with ExitStack() as held:
        sockets = [held.enter_context(socket.create_server(("127.0.0.1", 0))) for _ in range(count)]
        return [taken.getsockname()[1] for taken in sockets]


def until(holds: Callable[[], bool], otherwise: Callable[[], object]) -> None:
    """Wait until that holds."""
    end = time.monotonic() + PATIENCE_S
    while not holds():
        assert time.monotonic() < end, otherwise()
        time.sleep(0.02)


def at_port(credentials: Credentials, port: int) -> Credentials:
    """The same for another port."""
    return replace(credentials, broker=f"mqtts://localhost:{port}")


def _port(credentials: Credentials) -> int:
    port = urlsplit(credentials.broker).port
    assert port is not None
    return port
