"""The thread that lets a simulated meter run in real time and moves its bytes; each kind of port builds on it."""

import queue
import select
import socket
import threading
import time
from abc import abstractmethod
from collections.abc import Callable, Sequence
from concurrent.futures import Future
from math import inf
from typing import Protocol, Self

from meterlink_sim.peer import SimulatedMeter

_MOST_STEPS = 200
"""How much of the meter's life may pass between two looks at the ports: a meter that is late must not starve them."""
_BLOCK = 4096
_PATIENCE_S = 10.0


class Selectable(Protocol):
    """What `select` can wait for."""

    def fileno(self) -> int:
        """Its descriptor."""


class Front:
    """A meter on a port. Entering it opens the port and switches the meter on; leaving it closes all.

    One thread alone touches the meter and the port; what others ask for is handed to it and waited for.
    """

    def __init__(self, meter: SimulatedMeter, speed: float = 1.0) -> None:
        """Prepare the port; nothing is open yet.

        Args:
            meter: who sits behind the port.
            speed: how many of the meter's seconds pass in a real one.
        """
        self.meter = meter
        self._speed = speed
        self._epoch = 0.0
        self._closing = False
        self._requests: queue.SimpleQueue[tuple[Callable[[], object], Future[object]]] = queue.SimpleQueue()
        self._thread = threading.Thread(target=self._run, name=f"simulated {meter.wire.name}")

    def __enter__(self) -> Self:
        self._bell, self._button = socket.socketpair()
        try:
            self._open()
        except BaseException:
            self._close_bell()
            raise
        self._epoch = time.monotonic()
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._closing = True
        self._button.send(b"!")
        self._thread.join()
        self._close()
        self._close_bell()

    @property
    @abstractmethod
    def where(self) -> str:
        """The METER address of the port, without options."""

    @property
    def now(self) -> float:
        """Seconds of the meter's time since it was switched on."""
        return (time.monotonic() - self._epoch) * self._speed

    def press_key(self) -> None:
        """Press a key of the meter; one that has switched itself off comes on again."""
        self._ask(lambda: self.meter.press_key(self.now))

    def set_lines(self, dtr: bool, rts: bool) -> None:
        """Set the control lines, where the port does not carry them itself."""
        self._ask(lambda: self.meter.set_lines(dtr, rts))

    # What each kind of port does

    @abstractmethod
    def _open(self) -> None:
        """Open the port."""

    @abstractmethod
    def _close(self) -> None:
        """Close all that is open."""

    @abstractmethod
    def _ends(self) -> Sequence[Selectable]:
        """What may have something to be taken."""

    @abstractmethod
    def _take(self, end: Selectable) -> bytes:
        """Take what has come; returns the bytes for the meter."""

    @abstractmethod
    def _put(self, data: bytes) -> None:
        """Pass the meter's bytes on; what nobody takes is lost, as on a real line."""

    # The thread

    def _ask(self, action: Callable[[], object]) -> None:
        """Let the thread do something, and wait for it; what it raises is raised here."""
        done: Future[object] = Future()
        self._requests.put((action, done))
        self._button.send(b"!")
        done.result(_PATIENCE_S)

    def _run(self) -> None:
        while not self._closing:
            early = (self.meter.due - self.now) / self._speed
            ready, _, _ = select.select([self._bell, *self._ends()], [], [], None if early == inf else max(0.0, early))
            for end in ready:
                if end is self._bell:
                    self._answer_requests()
                elif data := self._take(end):
                    self.meter.hear(data, self.now)
            for _ in range(_MOST_STEPS):
                if self.meter.due > self.now or self._closing:
                    break
                if data := self.meter.advance():
                    self._put(data)

    def _answer_requests(self) -> None:
        self._bell.recv(_BLOCK)
        while not self._requests.empty():
            action, done = self._requests.get()
            try:
                done.set_result(action())
            except Exception as error:  # it belongs to whoever asked
                done.set_exception(error)

    def _close_bell(self) -> None:
        self._bell.close()
        self._button.close()
