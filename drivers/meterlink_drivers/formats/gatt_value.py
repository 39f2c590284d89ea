"""Values of a fixed few bytes, as Bluetooth characteristics carry them: nothing but the value, one after another.

Such a stream has no mark to find a value's beginning by, and notification borders carry no meaning here. Time does:
the bytes of one value come together.

Resynchronisation: the beginning of a value that is older than 50 ms when more comes is thrown away, so a lost byte
cannot shift all that follows. Less than one value is ever held.
"""

from collections.abc import Callable

from meterlink.driver import Notice
from meterlink.reading import Instant, Reading

TOGETHER_NS = 50_000_000
"""The bytes of one value come within this time."""


def uuid(short: int) -> str:
    """Return the full, lower case UUID of a 16-bit number that the Bluetooth SIG assigned."""
    return f"0000{short:04x}-0000-1000-8000-00805f9b34fb"


class ValueDecoder:
    """Decodes one stream of values of the same size."""

    def __init__(self, size: int, interpret: Callable[[bytes, Instant], Reading | Notice | None]) -> None:
        """Prepare for a stream.

        Args:
            size: bytes of one value.
            interpret: makes an item of one value; None where the value is none that the standard knows.
        """
        self.skipped = 0
        self._size = size
        self._interpret = interpret
        self._begun = b""
        self._begun_ns = 0

    def feed(self, data: bytes, at: Instant) -> list[Reading | Notice]:
        """Take the next bytes; see `meterlink.driver.Decoder`."""
        if self._begun and at.monotonic_ns - self._begun_ns > TOGETHER_NS:
            self.skipped += len(self._begun)
            self._begun = b""
        items = []
        for byte in data:
            if not self._begun:
                self._begun_ns = at.monotonic_ns
            self._begun += bytes([byte])
            if len(self._begun) == self._size:
                item = self._interpret(self._begun, at)
                if item is None:
                    self.skipped += self._size
                else:
                    items.append(item)
                self._begun = b""
        return items

    def poll(self, at: Instant) -> bytes:
        """Nothing is ever asked: the device notifies."""
        return b""
