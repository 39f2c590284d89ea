"""Serves the pages from the event loop of the check: no second process, no second thread."""

import asyncio
import os
import socket
import ssl
import stat
from collections.abc import AsyncIterator, Iterator, Mapping, Sequence
from contextlib import asynccontextmanager, contextmanager
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Protocol

import uvicorn
from starlette.applications import Starlette
from starlette.routing import BaseRoute
from starlette.types import ASGIApp

from meterlink.access.authority import host_names, read_certificate
from meterlink.access.gate import Gate
from meterlink.access.journal import Journal
from meterlink.access.roles import Role
from meterlink.errors import UsageError
from meterlink.web.doorkeeper import Cookie, Doorkeeper
from meterlink.web.guard import Guard, Guarded
from meterlink.web.listener import Listener
from meterlink.web.login import HOMES, NO_LOGIN, LoginPage

_LOOPBACK = ("127.0.0.1", "::1", "localhost")
_MOST_REQUESTS = 100
_PARTING_S = 1
"""What the last answers get to be sent when everything ends."""
_CIPHERS = "ECDHE+AESGCM:ECDHE+CHACHA20"
"""Of TLS 1.2; those of 1.3 are all good."""


@dataclass(frozen=True, slots=True)
class Tls:
    """A certificate, with its chain, and its key: PEM files."""

    certificate: Path
    key: Path

    def check(self) -> None:
        """See that both can be used.

        Raises:
            UsageError: they cannot, or everybody on this machine can read the key.
        """
        try:
            everybody = os.name == "posix" and self.key.stat().st_mode & stat.S_IRWXO
            ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER).load_cert_chain(self.certificate, self.key, password=lambda: "")
        except OSError as error:  # an SSLError is one
            raise UsageError(
                f"--tls-cert {self.certificate}, --tls-key {self.key}: expected a certificate and its key in PEM, "
                f"without a passphrase ({error.strerror or error})"
            ) from error
        if everybody:
            raise UsageError(f"--tls-key {self.key}: everybody on this machine can read it; say: chmod 600 {self.key}")

    @property
    def names(self) -> list[str]:
        """The host names that the certificate is for."""
        return host_names(read_certificate(self.certificate))


def is_loopback(host: str) -> bool:
    """Whether only this machine reaches an address."""
    return host in _LOOPBACK


@dataclass(frozen=True, slots=True)
class Place:
    """A port that is ours, and who is let in there."""

    socket: socket.socket
    host: str
    tls: Tls | None = None

    @property
    def port(self) -> int:
        """The port's number."""
        return int(self.socket.getsockname()[1])

    @property
    def scheme(self) -> str:
        """How the pages are spoken to."""
        return "http" if self.tls is None else "https"

    @property
    def url(self) -> str:
        """Where the technician's page is."""
        host = socket.gethostname() if self.host in ("0.0.0.0", "::") else self.host  # noqa: S104 - compared with
        return f"{self.scheme}://{f'[{host}]' if ':' in host else host}:{self.port}/"

    def guard(self, token: str) -> Guard:
        """Return what is let in here, with the token that pages are to send back."""
        names = [] if self.tls is None else self.tls.names
        if is_loopback(self.host):
            return Guard(token, self.port, names, scheme=self.scheme)
        own = socket.gethostname().lower()
        return Guard(token, self.port, (*names, own, f"{own}.local", self.host), any_address=True, scheme=self.scheme)


def take_place(host: str, port: int, *, open_to_all: bool, tls: Tls | None = None) -> Place:
    """Take a port for the pages, before anything else begins.

    Args:
        host: the address to listen at.
        port: its port; 0 for any that is free.
        open_to_all: whether the user accepts that at another address than this machine's own everybody on the way can
            listen, where there is no TLS.
        tls: encrypts.

    Raises:
        UsageError: the port cannot be had, certificate or key cannot be used, or the address is open to others and
            neither encrypted nor that accepted.
    """
    if tls is not None:
        tls.check()
    elif not is_loopback(host) and not open_to_all:
        raise UsageError(
            f"--host {host}: whoever is on that network could listen, passwords too; give --tls-cert and --tls-key, or "
            "accept it on a network of your own with --insecure-lan"
        )
    try:
        family = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)[0][0]
        listener = socket.create_server((host, port), family=family, backlog=64)
    except OSError as error:
        raise UsageError(f"the pages cannot be served at {host}, port {port}: {error.strerror or error}") from error
    # asyncio does so only where a socket names its protocol; without it, the second part of an answer waits 40 ms.
    listener.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    return Place(listener, host, tls)


@dataclass(frozen=True, slots=True)
class Admission:
    """Who gets in."""

    journal: Journal | None = None
    """Where refusals are logged."""
    gate: Gate | None = None
    """Checks logins; without it nobody has to log in."""
    homes: Mapping[Role, str] = field(default_factory=lambda: HOMES)
    """The page to which each role's login leads."""


class Shown(Protocol):
    """What the pages show."""

    @property
    def token(self) -> str:
        """What a page must send back with everything that it asks for."""

    def close(self) -> None:
        """End every stream."""


@asynccontextmanager
async def serving(
    place: Place, stage: Shown, routes: Sequence[BaseRoute], admission: Admission | None = None
) -> AsyncIterator[None]:
    """Serve pages while the block runs.

    Args:
        place: where; it is given back at the end.
        stage: what they show.
        routes: the pages.
        admission: who gets in; everybody who reaches the place, unless given.
    """
    admission = admission or Admission()
    server = _Server(
        uvicorn.Config(
            Guarded(_app(place, routes, admission), place.guard(stage.token), admission.journal),
            http=partial(Listener, journal=admission.journal),  # type: ignore[arg-type] # it is called, no more
            log_config=None,
            log_level="error",  # what is refused stands in the log of its own, and not in the check's picture
            access_log=False,
            lifespan="off",
            ws="none",
            server_header=False,
            proxy_headers=False,  # nobody may say of itself where it comes from
            limit_concurrency=_MOST_REQUESTS,
            timeout_graceful_shutdown=_PARTING_S,
            ssl_certfile=place.tls.certificate if place.tls else None,
            ssl_keyfile=place.tls.key if place.tls else None,
            ssl_ciphers=_CIPHERS,
        )
    )
    task = asyncio.create_task(server.serve([place.socket]))
    try:
        yield
    finally:
        stage.close()
        server.should_exit = True
        await task


def _app(place: Place, routes: Sequence[BaseRoute], admission: Admission) -> ASGIApp:
    if admission.gate is None:
        return Starlette(routes=[*NO_LOGIN, *routes])
    cookie = Cookie(encrypted=place.tls is not None)
    login = LoginPage(admission.gate, cookie, admission.homes)
    return Doorkeeper(Starlette(routes=[*login.routes, *routes]), admission.gate, cookie)


class _Server(uvicorn.Server):
    """Leaves the signals to the check, which has to be closed first."""

    @contextmanager
    def capture_signals(self) -> Iterator[None]:
        yield
