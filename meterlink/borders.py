"""Finds the borders of the frames again in the stream of bytes they came in. Pure."""

MAX_LOOSE = 256
"""Bytes kept while no frame claims them; longer than any frame, so that none is torn."""


class Borders:
    """What stands between two frames belonged to none."""

    def __init__(self) -> None:
        self._loose = bytearray()

    def take(self, data: bytes) -> bytes:
        """Take the next bytes of the stream; return the oldest that no frame can claim any more."""
        self._loose += data
        return self._cut(len(self._loose) - MAX_LOOSE)

    def before(self, frame: bytes) -> bytes:
        """Return what stands before a frame that was found, and pass over both.

        A frame that is not in the stream as one piece (its reading was put together) has nothing before it.
        """
        start = self._loose.find(frame) if frame else -1
        if start < 0:
            return b""
        loose = self._cut(start)
        self._cut(len(frame))
        return loose

    def _cut(self, length: int) -> bytes:
        cut = bytes(self._loose[: max(0, length)])
        del self._loose[: len(cut)]
        return cut
