"""One connection, with a bound on how long it may take to ask, and on how many come from one address.

uvicorn waits for ever for a request that has begun: whoever sends its headers a byte at a time, on every connection
there is, would lock everybody else out.
"""

import asyncio
from typing import Any

from uvicorn.config import Config
from uvicorn.protocols.http.h11_impl import H11Protocol, RequestResponseCycle
from uvicorn.server import ServerState

from meterlink.access.journal import Journal

HEAD_S = 10.0
"""A request's line and headers have to be here within that time."""

MOST_OF_ONE = 60
"""Connections from one address: every page that may be open, and then some."""


class Listener(H11Protocol):
    """uvicorn's own protocol with these bounds."""

    def __init__(
        self,
        config: Config,
        server_state: ServerState,
        app_state: dict[str, Any],
        _loop: asyncio.AbstractEventLoop | None = None,
        *,
        journal: Journal | None = None,
    ) -> None:
        super().__init__(config, server_state, app_state, _loop)
        self._journal = journal
        self._head: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override] # as uvicorn has it
        """Begin to wait for a request."""
        super().connection_made(transport)
        self._wait_for_head()
        peers = [each for each in self.connections if isinstance(each, Listener) and each.address == self.address]
        if len(peers) > MOST_OF_ONE:
            self._turn_away("too-many-connections-of-one")
        elif self.limit_concurrency is not None and len(self.connections) >= self.limit_concurrency:
            self._note("too-many-connections")  # uvicorn answers that there is no service

    def connection_lost(self, exc: Exception | None) -> None:
        """Wait no longer."""
        self._head_is_here()
        super().connection_lost(exc)

    def data_received(self, data: bytes) -> None:
        """Take in what came, and see whether a whole head did."""
        super().data_received(data)
        cycle: RequestResponseCycle | None = self.cycle
        if cycle is None or cycle.response_complete:
            self._wait_for_head()
        else:
            self._head_is_here()

    def send_400_response(self, msg: str) -> None:
        """Refuse what is no HTTP, or too large a head."""
        self._note("malformed-request")
        super().send_400_response(msg)

    @property
    def address(self) -> str:
        """The address at the other end."""
        return self.client[0] if self.client else ""

    def _wait_for_head(self) -> None:
        if self._head is None and not self.transport.is_closing():
            self._head = self.loop.call_later(HEAD_S, self._turn_away, "too-slow-request")

    def _head_is_here(self) -> None:
        if self._head is not None:
            self._head.cancel()
            self._head = None

    def _turn_away(self, why: str) -> None:
        self._head_is_here()
        self._note(why)
        self.transport.abort()

    def _note(self, what: str) -> None:
        if self._journal is not None:
            self._journal.note(what, address=self.address)
