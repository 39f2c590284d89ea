"""A simulated meter behind a terminal server: its bytes on a TCP port, whose link can be cut, refused and come back."""

import socket
import struct
from collections.abc import Sequence
from contextlib import suppress
from typing import cast

from meterlink_sim.front import Front, Selectable
from meterlink_sim.peer import SimulatedMeter

_BLOCK = 4096
_HOST = "127.0.0.1"


class TcpFront(Front):
    """The port. What the meter sends goes to whoever is connected, from then on."""

    def __init__(self, meter: SimulatedMeter, speed: float = 1.0, port: int = 0) -> None:
        """Prepare the port; nothing is open yet.

        Args:
            meter: who sits behind the port.
            speed: how many of the meter's seconds pass in a real one.
            port: the port's number; 0: any that is free, which it then keeps.
        """
        super().__init__(meter, speed)
        self.port = port
        self._listener: socket.socket | None = None
        self._clients: list[socket.socket] = []

    @property
    def where(self) -> str:
        """The METER address of the port."""
        return f"tcp:{_HOST}:{self.port}"

    def cut(self, reset: bool = False) -> None:
        """End every connection: in order, or by a reset. A new one is taken at once."""
        self._ask(lambda: self._cut(reset))

    def refuse(self) -> None:
        """End every connection and take no new one."""
        self._ask(self._close)

    def come_back(self) -> None:
        """Take connections again, on the same port."""
        self._ask(self._open)

    def _open(self) -> None:
        self._listener = socket.create_server((_HOST, self.port))
        self.port = self._listener.getsockname()[1]

    def _close(self) -> None:
        if self._listener is not None:
            self._listener.close()
            self._listener = None
        self._cut(reset=False)

    def _cut(self, reset: bool) -> None:
        for client in self._clients:
            if reset:
                client.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
            client.close()
        self._clients = []

    def _ends(self) -> Sequence[Selectable]:
        # Who hangs up goes before who comes: an adapter that serves one would turn the new one away.
        return self._clients if self._listener is None else (*self._clients, self._listener)

    def _take(self, end: Selectable) -> bytes:
        if self._listener is not None and end is self._listener:
            client, _ = self._listener.accept()
            client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self._greet(client)
            return b""
        client = cast(socket.socket, end)
        if client not in self._clients:
            return b""  # cut since it was found ready
        data = b""
        with suppress(OSError):
            data = client.recv(_BLOCK)
        if not data:
            self._lose(client)
        return data

    def _greet(self, client: socket.socket) -> None:
        client.setblocking(False)
        self._clients.append(client)

    def _lose(self, client: socket.socket) -> None:
        self._clients.remove(client)
        client.close()

    def _put(self, data: bytes) -> None:
        for client in tuple(self._clients):
            try:
                client.sendall(data)
            except BlockingIOError:
                pass  # it does not read: the bytes are lost
            except OSError:
                self._lose(client)
