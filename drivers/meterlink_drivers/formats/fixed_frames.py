"""Finds frames of one fixed length in a stream, by which bytes may stand at which place. Shared by several formats.

Resynchronisation: the bytes held are always a possible beginning of a frame. When they are not, or when a whole frame
is refused, the first byte held is thrown away, and the next, until what is left may begin a frame again. So a good
frame that begins inside a bad one is found, and less than one frame is ever held.
"""

from collections.abc import Callable, Sequence, Set

from meterlink.reading import Instant, Reading

ANY = frozenset(range(256))
"""The place of a byte that may have any value."""


class FixedFrames:
    """Decodes one stream. A reading is returned as soon as the last byte of its frame is fed."""

    def __init__(
        self,
        places: Sequence[Set[int]],
        read: Callable[[bytes, Instant], Reading | None],
        longest_pause_ns: int | None = None,
    ) -> None:
        """Prepare for a stream.

        Args:
            places: the bytes that may stand at each place of a frame, in order.
            read: makes a reading of bytes that stand in their places; None where together they make no sense.
            longest_pause_ns: a begun frame is thrown away when the next bytes come later than this; None: never.
        """
        self.skipped = 0
        """Bytes thrown away so far."""
        self._places = places
        self._read = read
        self._longest_pause_ns = longest_pause_ns
        self._latest_ns = 0
        self._held = bytearray()

    def feed(self, data: bytes, at: Instant) -> list[Reading]:
        """Take the next bytes; see `meterlink.driver.Decoder`."""
        if data:
            self._give_up_after_a_pause(at.monotonic_ns)
        readings = []
        held, places, length = self._held, self._places, len(self._places)
        for byte in data:
            held.append(byte)
            if byte not in places[len(held) - 1]:
                self._slide()
            if len(held) == length:
                reading = self._read(bytes(held), at)
                if reading is None:
                    self._slide()
                else:
                    readings.append(reading)
                    held.clear()
        return readings

    def poll(self, at: Instant) -> bytes:
        """Nothing is ever asked: the meter streams."""
        return b""

    def _give_up_after_a_pause(self, now_ns: int) -> None:
        if self._longest_pause_ns is not None and now_ns - self._latest_ns > self._longest_pause_ns:
            self.skipped += len(self._held)
            self._held.clear()
        self._latest_ns = now_ns

    def _slide(self) -> None:
        """Throw away the first byte, and as many more as it takes."""
        possible = False
        while not possible:
            del self._held[0]
            self.skipped += 1
            possible = all(byte in place for byte, place in zip(self._held, self._places, strict=False))
