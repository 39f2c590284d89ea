"""Pages that want a login, served by the command in a process of its own, over TLS or in the clear."""

import http.client
import json
import ssl
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from http.client import HTTPConnection, HTTPResponse, HTTPSConnection
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

from commands import steadypoint
from meterlink.access.broker_folder import BrokerFolder
from meterlink.web.guard import TOKEN_HEADER
from page_bench import Served, write_procedure
from waiting import PATIENCE_S

PASSWORDS = {
    "fitter": ("technician", "three blind cable ties"),
    "lead": ("office", "seven sleepy safety relays"),
    "reviewer": ("auditor", "nine lonely landing stops"),
}
"""By account: its role and its password."""


@dataclass
class Locked:
    """A home folder with accounts, and what serves its pages."""

    home: Path
    served: Served
    ca: str | None = None
    """The certificate to trust; None where nothing is encrypted."""

    @property
    def origin(self) -> str:
        return self.served.url.rstrip("/")

    def visitor(self) -> "Visitor":
        return Visitor(self)

    def logged(self, what: str | None = None) -> list[dict[str, Any]]:
        """The lines of the log, of one kind or of all."""
        text = (self.home / "access.log").read_text(encoding="utf-8") if (self.home / "access.log").exists() else ""
        lines = [json.loads(line) for line in text.splitlines()]
        return [line for line in lines if what in (None, line["what"])]


@dataclass
class Answer:
    """What came back."""

    status: int
    text: str
    headers: http.client.HTTPMessage


@dataclass
class Visitor:
    """A browser without a browser: it keeps its cookie, and says what a browser says of itself."""

    locked: Locked
    cookies: dict[str, str] = field(default_factory=dict)
    token: str = ""

    @contextmanager
    def ask(
        self, method: str, path: str, body: bytes | None = None, headers: dict[str, str] | None = None
    ) -> Iterator[HTTPResponse]:
        """Ask for something; the answer is open while the block runs."""
        with closing(self._connection()) as connection:
            cookie = {"Cookie": "; ".join(f"{name}={value}" for name, value in self.cookies.items())}
            connection.request(method, path, body, (cookie if self.cookies else {}) | (headers or {}))
            with connection.getresponse() as answer:
                self._keep(answer)
                yield answer

    def get(self, path: str, headers: dict[str, str] | None = None, method: str = "GET") -> Answer:
        with self.ask(method, path, None, headers) as answer:
            return Answer(answer.status, answer.read().decode(), answer.headers)

    def form(self, path: str, fields: dict[str, str], headers: dict[str, str] | None = None) -> Answer:
        """Send a form as our own page does."""
        own = {"Origin": self.locked.origin, "Content-Type": "application/x-www-form-urlencoded"}
        with self.ask("POST", path, urlencode(fields).encode(), own | (headers or {})) as answer:
            return Answer(answer.status, answer.read().decode(), answer.headers)

    def send(self, path: str, body: object, headers: dict[str, str] | None = None) -> Answer:
        """Send JSON as our own page's script does."""
        own = {"Origin": self.locked.origin, "Content-Type": "application/json", TOKEN_HEADER: self.token}
        data = body if isinstance(body, bytes) else json.dumps(body).encode()
        with self.ask("POST", path, data, own | (headers or {})) as answer:
            return Answer(answer.status, answer.read().decode(), answer.headers)

    def log_in(self, name: str) -> "Visitor":
        """Log in, and take up the page's token."""
        answer = self.form("/login", {"name": name, "password": PASSWORDS[name][1]})
        assert answer.status == 303, answer
        with self.ask("GET", "/events") as stream:
            line = b""
            while not line.startswith(b"data: "):
                line = stream.readline()
        self.token = json.loads(line[6:])["token"]
        return self

    def _connection(self) -> HTTPConnection:
        port = self.locked.served.port
        if self.locked.ca is None:
            return HTTPConnection("127.0.0.1", port, timeout=PATIENCE_S)
        return HTTPSConnection(
            "localhost", port, timeout=PATIENCE_S, context=ssl.create_default_context(cadata=self.locked.ca)
        )

    def _keep(self, answer: HTTPResponse) -> None:
        for given in answer.headers.get_all("Set-Cookie") or []:
            name, _, value = given.partition(";")[0].partition("=")
            self.cookies.pop(name, None)
            if value.strip('"'):
                self.cookies[name] = value


@contextmanager
def locked(home: Path, *arguments: str, encrypted: bool = False) -> Iterator[Locked]:
    """Serve pages that want a login; with `check` and what belongs to it, those of a check."""
    write_procedure(home)
    for name, (role, password) in PASSWORDS.items():
        added = steadypoint(home, "account", "add", name, "--role", role, "--password-file", "-", stdin=password)
        assert added.returncode == 0, added.stderr
    options, ca = [], None
    if encrypted:
        folder = BrokerFolder(home / "broker")
        folder.set_up("localhost")
        ca = (folder.path / "ca.pem").read_text(encoding="ascii")
        options = ["--tls-cert", str(folder.path / "server.pem"), "--tls-key", str(folder.path / "server.key")]
        options += ["--host", "localhost"]
    with Served(home, *(arguments or ("serve", "--port", "0")), "--login", *options) as served:
        yield Locked(home, served, ca)
