"""The decoder of every described format: finds frames in a stream and reads them by their plan. Pure.

Resynchronisation: a frame is tried wherever the bytes agree with the pattern, in the order of the stream, as soon as
its last byte is there. Where one cannot be read, only its first byte is thrown away, so a good frame that begins inside
a bad one is found; what was read is never read again. Held is only what may still become a frame, which is always
shorter than one. Where the description says `gap_ms`, held bytes older than that are thrown away when more come, so
that in a stream without marks a lost byte cannot shift all that follows.
"""

from meterlink.described.plan import Plan
from meterlink.reading import Instant, Reading


class DescribedDecoder:
    """Decodes one stream. A reading is returned as soon as the last byte of its frame is fed."""

    def __init__(self, plan: Plan) -> None:
        self.skipped = 0
        self._plan = plan
        self._held = b""
        self._latest_ns = 0
        self._previous = b""
        self._foreign = False

    def feed(self, data: bytes, at: Instant) -> list[Reading]:
        """Take the next bytes; see `meterlink.driver.Decoder`."""
        plan = self._plan
        if plan.gap_ns is not None and data:
            if at.monotonic_ns - self._latest_ns > plan.gap_ns:
                self._skip(self._held)
                self._held = self._previous = b""  # what stood before a silence is not what stands before a frame
            self._latest_ns = at.monotonic_ns
        stream, done = self._held + data, 0
        readings = []
        while match := plan.whole.search(stream, done):
            self._skip(stream[done : match.start()])
            reading = plan.read(match[0], at) if self._may_begin(match[0][:1]) else None
            if reading is None:
                done = match.start() + 1
                self._skip(stream[match.start() : done])
            else:
                done = match.end()
                self._pass(match[0])
                readings.append(reading)
        self._hold(stream[done:])
        return readings

    def poll(self, at: Instant) -> bytes:
        """Nothing is ever asked: a described meter streams."""
        return b""

    def _hold(self, rest: bytes) -> None:
        """Throw away what cannot become a frame, and keep what follows."""
        begun = self._plan.begun
        start = max(0, len(rest) - self._plan.length + 1)
        while not begun[len(rest) - start].match(rest, start):
            start += 1
        self._skip(rest[:start])
        self._held = rest[start:]

    def _skip(self, data: bytes) -> None:
        self.skipped += len(data)
        self._pass(data)

    def _pass(self, data: bytes) -> None:
        """Take bytes that are done with, to know what stands before a frame."""
        if not data:
            return
        if self._plan.tails is not None:
            for behind in self._plan.tails.finditer(self._previous + data):
                self._foreign = behind[1][0] in self._plan.foreign
        self._previous = data[-1:]

    def _may_begin(self, first: bytes) -> bool:
        """Whether a frame may begin with this byte, by what stands before it."""
        if self._previous and self._previous[0] in self._plan.never_after:
            return False
        if self._plan.tails is None:
            return True
        directly = self._plan.tails.match(self._previous + first)
        return not (self._foreign if directly is None else directly[1][0] in self._plan.foreign)
