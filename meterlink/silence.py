"""Notices a meter that says nothing, or nothing that can be decoded. Pure; time comes with each look."""


class Silence:
    """Notices a meter that says nothing, or nothing that can be decoded. Each is told once, until it is over."""

    NOTHING_AFTER_S = 3.0
    UNDECODED_AFTER_S = 2.0

    def __init__(self) -> None:
        self.decoded = 0
        """Items decoded so far; the owner counts."""
        self._line = ""
        self._seen = (0, 0)
        self._arrived_s: float | None = None
        self._undecoded_since_s: float | None = None
        self._told: set[str] = set()

    def restart(self, line: str) -> None:
        """The link was opened: the waiting begins anew. `line` says how the line is set, empty where it is not."""
        self._line = line
        self._arrived_s = self._undecoded_since_s = None

    def hints(self, now_s: float, received: int) -> list[str]:
        """Return what there is to tell.

        Args:
            now_s: any clock that never steps, in seconds.
            received: bytes that came so far.
        """
        seen_received, seen_decoded = self._seen
        self._seen = (received, self.decoded)
        if self._arrived_s is None or received != seen_received:
            self._arrived_s = now_s
        if self.decoded != seen_decoded:
            self._undecoded_since_s = None
            self._told.clear()
        elif received != seen_received and self._undecoded_since_s is None:
            self._undecoded_since_s = now_s
        hint = self._hint(now_s)
        if hint is None or hint in self._told:
            return []
        self._told.add(hint)
        return [hint]

    def _hint(self, now_s: float) -> str | None:
        if self._arrived_s is not None and now_s - self._arrived_s >= self.NOTHING_AFTER_S:
            lines = f"; DTR or RTS may have to feed the cable (now {self._line})" if self._line else ""
            return f"nothing arrives; check the cable, the meter's power and its key for sending{lines}"
        if self._undecoded_since_s is not None and now_s - self._undecoded_since_s >= self.UNDECODED_AFTER_S:
            line = f", and the baud rate and parity of the line (now {self._line})" if self._line else ""
            return f"bytes arrive but none decode; check the format{line}; `steadypoint identify` looks for both"
        return None
