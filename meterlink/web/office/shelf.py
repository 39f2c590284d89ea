"""The newest text of each thing, numbered: any number of readers take what is newer than what they have. Pure."""

from collections import OrderedDict
from collections.abc import Iterator


class Shelf:
    """Texts by name; each stands at the place of its last change, so a reader that was away gets it once."""

    def __init__(self) -> None:
        self.last = 0
        """The number of the newest change."""
        self._kept: OrderedDict[str, tuple[int, str]] = OrderedDict()

    def put(self, name: str, text: str) -> bool:
        """Put a text in the place of the one before; tell whether it is another."""
        before = self._kept.get(name)
        if before is not None and before[1] == text:
            return False
        self.last += 1
        self._kept[name] = self.last, text
        self._kept.move_to_end(name)
        return True

    def drop(self, name: str) -> None:
        """Forget a thing."""
        self._kept.pop(name, None)

    def names(self) -> list[str]:
        """Return what is there."""
        return list(self._kept)

    def text(self, name: str) -> str | None:
        """Return the newest text of a thing; None where it is not there."""
        kept = self._kept.get(name)
        return kept[1] if kept else None

    def since(self, number: int, most: int) -> list[tuple[int, str]]:
        """Return what changed after that number, the oldest change first, some at a time."""
        return list(self._newer(number))[::-1][:most]

    def _newer(self, number: int) -> Iterator[tuple[int, str]]:
        for kept in reversed(self._kept.values()):
            if kept[0] <= number:
                return
            yield kept
