"""What the office refused, as it was kept aside."""

from collections.abc import Sequence
from dataclasses import dataclass

from sqlalchemy import select

from meterlink.record.schema import ASIDE
from meterlink.record.store import Store


@dataclass(frozen=True, slots=True)
class Refusal:
    """One message that was refused. All of it but time and reason was made up by whoever sent it."""

    id: int
    utc_ns: int
    """By the office's clock."""
    device: str
    job: str
    reason: str
    """Begins with `foreign`, `forged`, `altered`, `out of order`, `malformed` or `gone`."""
    size: int
    """Bytes that came."""
    payload: bytes
    """Their beginning."""


def refusals(store: Store, most: int = 100, *, device: str = "", before: int | None = None) -> Sequence[Refusal]:
    """Return what was refused, the newest first.

    Args:
        store: the office's.
        most: so many at most.
        device: only this one's; empty for all.
        before: only what came before the refusal of this id.
    """
    newest_first = select(ASIDE).order_by(ASIDE.c.id.desc()).limit(most)
    if device:
        newest_first = newest_first.where(ASIDE.c.device == device)
    if before is not None:
        newest_first = newest_first.where(ASIDE.c.id < before)
    with store.reading() as connection:
        return [Refusal(*row) for row in connection.execute(newest_first)]
