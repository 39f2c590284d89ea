"""A meter behind a Bluetooth module: frames of any encoder as notifications, cut and merged where the module likes.

The module forwards a stream of bytes that never stops; what it forwards while nobody is subscribed is lost. So a new
subscription may begin in the middle of a frame, as it does with real ones.
"""

import asyncio
import random
from collections.abc import Iterator

from meterlink_sim.bluez.peripheral import Peripheral
from meterlink_sim.bluez.stack import SimulatedBluez

SMALLEST_MTU_PAYLOAD = 20
"""Bytes in a notification at the smallest ATT MTU of 23 (Bluetooth Core Specification, volume 3, part F, 3.2.8)."""


class Cutter:
    """Cuts a stream of bytes at random, holding some back to be sent together with the next."""

    def __init__(self, rng: random.Random, most: int = SMALLEST_MTU_PAYLOAD) -> None:
        self._rng = rng
        self._most = most
        self._held = b""

    def cut(self, data: bytes) -> list[bytes]:
        """Take the next bytes and return the pieces that go out now."""
        self._held += data
        pieces = []
        while self._held and self._rng.random() < 0.8:
            pieces.append(self._piece(self._rng.randint(1, self._most)))
        return pieces

    def rest(self) -> list[bytes]:
        """Return what is held back, in pieces."""
        pieces = []
        while self._held:
            pieces.append(self._piece(self._most))
        return pieces

    def _piece(self, size: int) -> bytes:
        piece, self._held = self._held[:size], self._held[size:]
        return piece


class GattMeter:
    """Streams frames from one characteristic."""

    def __init__(
        self,
        bluez: SimulatedBluez,
        peripheral: Peripheral,
        characteristic: str,
        frames: Iterator[bytes],
        *,
        rate_hz: float,
        rng: random.Random,
    ) -> None:
        self.sent: list[bytes] = []
        """The frames of the stream so far, heard or not."""
        self._bluez = bluez
        self._peripheral = peripheral
        self._characteristic = characteristic
        self._frames = frames
        self._interval_s = 1 / rate_hz
        self._cutter = Cutter(rng)

    async def run(self) -> None:
        """Stream until the frames end or the task is cancelled."""
        loop = asyncio.get_running_loop()
        due = loop.time()
        for frame in self._frames:
            self.sent.append(frame)
            for piece in self._cutter.cut(frame):
                await self._bluez.notify(self._peripheral, self._characteristic, piece)
            due += self._interval_s
            await asyncio.sleep(max(0.0, due - loop.time()))
        for piece in self._cutter.rest():
            await self._bluez.notify(self._peripheral, self._characteristic, piece)
