"""The band: a strip on which limits and values have their places, for the terminal and the pages alike. Pure."""

from dataclasses import dataclass
from decimal import Decimal
from typing import Self

from meterlink.limits import Limits


@dataclass(frozen=True, slots=True)
class Band:
    """A strip around limits: half their width to spare on either side; a missing limit leaves that side accepted."""

    low: Decimal | None
    high: Decimal | None
    start: Decimal
    """The value at its left end."""
    width: Decimal
    """From there to its right end; above 0."""

    @classmethod
    def around(cls, limits: Limits) -> Self | None:
        """The strip for these limits; None where they have no numbers."""
        low = limits.low if limits.low is not None else limits.high
        high = limits.high if limits.high is not None else limits.low
        if low is None or high is None:
            return None
        room = (high - low) / 2 or max(abs(high), Decimal(1))
        return cls(limits.low, limits.high, low - room, high - low + 2 * room)

    def place(self, value: Decimal) -> Decimal:
        """Where a value stands: 0 at the left end, 1 at the right; what lies beyond an end stands there."""
        return min(Decimal(1), max(Decimal(0), (value - self.start) / self.width))

    def beyond(self, value: Decimal) -> int:
        """-1 where a value lies off the strip to the left, 1 to the right, 0 on it."""
        return -1 if value < self.start else 1 if value > self.start + self.width else 0
