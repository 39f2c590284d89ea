"""Serves the pages from the event loop of the check: no second process, no second thread."""

import asyncio
import socket
from collections.abc import AsyncIterator, Iterator, Sequence
from contextlib import asynccontextmanager, contextmanager
from dataclasses import dataclass

import uvicorn
from starlette.applications import Starlette
from starlette.routing import BaseRoute

from meterlink.errors import UsageError
from meterlink.web.guard import Guard, Guarded
from meterlink.web.stage import Stage

_LOOPBACK = ("127.0.0.1", "::1", "localhost")
_MOST_REQUESTS = 100
_PARTING_S = 1
"""What the last answers get to be sent when everything ends."""


@dataclass(frozen=True, slots=True)
class Place:
    """A port that is ours, and who is let in there."""

    socket: socket.socket
    host: str

    @property
    def port(self) -> int:
        """The port's number."""
        return int(self.socket.getsockname()[1])

    @property
    def url(self) -> str:
        """Where the technician's page is."""
        host = socket.gethostname() if self.host in ("0.0.0.0", "::") else self.host  # noqa: S104 - compared with
        return f"http://{f'[{host}]' if ':' in host else host}:{self.port}/"


def take_place(host: str, port: int, *, open_to_all: bool) -> Place:
    """Take a port for the pages, before anything else begins.

    Args:
        host: the address to listen at.
        port: its port; 0 for any that is free.
        open_to_all: whether the user accepts that everybody who reaches another address than this machine's own may
            watch and answer: there are no logins.

    Raises:
        UsageError: the port cannot be had, or the address is open to others and that was not accepted.
    """
    if host not in _LOOPBACK and not open_to_all:
        raise UsageError(
            f"--host {host}: whoever reaches that address could watch and answer, for there are no logins yet; "
            "if you accept that, add --insecure-lan"
        )
    try:
        family = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)[0][0]
        listener = socket.create_server((host, port), family=family, backlog=64)
    except OSError as error:
        raise UsageError(f"the pages cannot be served at {host}, port {port}: {error.strerror or error}") from error
    # asyncio does so only where a socket names its protocol; without it, the second part of an answer waits 40 ms.
    listener.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    return Place(listener, host)


@asynccontextmanager
async def serving(place: Place, stage: Stage, routes: Sequence[BaseRoute]) -> AsyncIterator[None]:
    """Serve pages while the block runs.

    Args:
        place: where; it is given back at the end.
        stage: what they show.
        routes: the pages.
    """
    name = socket.gethostname().lower()
    here = place.host in _LOOPBACK
    guard = Guard(stage.token, place.port, () if here else (name, f"{name}.local", place.host), any_address=not here)
    server = _Server(
        uvicorn.Config(
            Guarded(Starlette(routes=routes), guard),
            log_config=None,
            access_log=False,
            lifespan="off",
            ws="none",
            server_header=False,
            limit_concurrency=_MOST_REQUESTS,
            timeout_graceful_shutdown=_PARTING_S,
        )
    )
    task = asyncio.create_task(server.serve([place.socket]))
    try:
        yield
    finally:
        stage.hub.close()
        server.should_exit = True
        await task


class _Server(uvicorn.Server):
    """Leaves the signals to the check, which has to be closed first."""

    @contextmanager
    def capture_signals(self) -> Iterator[None]:
        yield
