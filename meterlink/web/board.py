"""What was announced, numbered, so that a page that lost its link is told what it missed. Pure."""

from collections import deque
from collections.abc import Iterator

from meterlink.outcome import Json

_KEPT = 400
"""Announcements kept for pages that come back; who missed more reads the verdicts from the state, which is whole."""


class Board:
    """The announcements of one process, in order. Their ids are `EPOCH-NUMBER`."""

    def __init__(self, epoch: str) -> None:
        """Begin with none.

        Args:
            epoch: tells this process's ids from those of an earlier one on the same port.
        """
        self._epoch = epoch
        self._kept: deque[tuple[int, Json]] = deque(maxlen=_KEPT)
        self.last = 0
        """The number of the newest announcement; 0 before the first."""

    def put(self, announcement: Json) -> None:
        """Add one."""
        self.last += 1
        self._kept.append((self.last, announcement))

    def name(self, number: int) -> str:
        """The id of an announcement."""
        return f"{self._epoch}-{number}"

    def number(self, name: str | None) -> int:
        """The number behind an id that a page says it saw last.

        One who saw nothing yet is told nothing old: what stands is in the state. An id of an earlier process comes from
        a page that has seen nothing of this one: it is told everything.
        """
        if not name:
            return self.last
        epoch, _, number = name.rpartition("-")
        known = epoch == self._epoch and number.isascii() and number.isdigit()
        return min(int(number[:18]), self.last) if known else 0

    def since(self, seen: int) -> Iterator[tuple[int, Json]]:
        """The announcements after that number that are still kept, oldest first."""
        return ((number, announcement) for number, announcement in tuple(self._kept) if number > seen)
