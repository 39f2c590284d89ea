"""A stretch of a job's log: lines that follow each other, column by column. Pure.

There are many lines: a column of all of them is checked, sent on and stored with a few calls, a line by itself takes a
few calls each.
"""

from dataclasses import dataclass
from typing import Self


@dataclass(frozen=True, slots=True)
class Stretch:
    """Lines as the table of events has them, behind the job. All columns are of one length."""

    seq: tuple[int, ...] = ()
    """Without a gap."""
    kind: tuple[str, ...] = ()
    monotonic_ns: tuple[int, ...] = ()
    utc_ns: tuple[int, ...] = ()
    body: tuple[str, ...] = ()
    raw: tuple[bytes, ...] = ()
    sha256: tuple[str, ...] = ()

    def __len__(self) -> int:
        """Return how many lines there are."""
        return len(self.seq)

    @property
    def columns(self) -> tuple[tuple[int | str | bytes, ...], ...]:
        """The columns, in the table's order."""
        return self.seq, self.kind, self.monotonic_ns, self.utc_ns, self.body, self.raw, self.sha256

    def without(self, known: int) -> Self:
        """Return the stretch behind its first so many lines."""
        return type(self)(*(column[known:] for column in self.columns))  # type: ignore[arg-type] # each its own type

    def hash_of(self, seq: int) -> str | None:
        """Return the hash of the line of that number; None where it is not in the stretch."""
        place = seq - self.seq[0] if self.seq else -1
        return self.sha256[place] if 0 <= place < len(self) else None


NO_LINES = Stretch()
