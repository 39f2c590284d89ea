"""The photos of a job's notes on their way to the office, a part at a time. Pure."""

import json
from collections.abc import Iterable
from dataclasses import dataclass, field

from meterlink.reading import NS_PER_S
from meterlink.relay.pack import PHOTO_PART

_PATIENCE_NS = 10 * NS_PER_S


@dataclass(slots=True)
class PhotoWay:
    """One photo's way to the office."""

    sha256: str
    size: int
    there: int | None = None
    """How many parts the office has, in order from the first; None until it says."""
    missing: bool = False
    """Whether its file is not here, so that it can never be sent."""
    _since_ns: int | None = field(default=None, repr=False)

    @property
    def parts(self) -> int:
        """How many parts it has."""
        return -(-self.size // PHOTO_PART)

    @property
    def complete(self) -> bool:
        """Whether nothing is left to send."""
        return self.missing or self.there == self.parts

    def due(self, now_ns: int) -> int | None:
        """Return the part to send now, -1 to ask, None for nothing; one part at a time is on its way."""
        if self.complete or (self._since_ns is not None and now_ns - self._since_ns < _PATIENCE_NS):
            return None
        if self._since_ns is not None:
            self.there = None  # no answer: ask again
        self._since_ns = now_ns
        return -1 if self.there is None else self.there

    def took(self, there: int) -> None:
        """Take the office's word on how many parts it has."""
        self.there, self._since_ns = there, None

    def interrupted(self) -> None:
        """Begin anew by asking."""
        if not self.complete:
            self.there = self._since_ns = None


def photos_of(notes: Iterable[str]) -> list[PhotoWay]:
    """Return the photos that the bodies of notes name, each once."""
    found: dict[str, PhotoWay] = {}
    for body in notes:
        photo = json.loads(body).get("photo")
        if isinstance(photo, dict) and isinstance(photo.get("sha256"), str) and isinstance(photo.get("size"), int):
            found.setdefault(photo["sha256"], PhotoWay(photo["sha256"], photo["size"]))
    return list(found.values())
