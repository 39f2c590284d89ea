"""Photos that a store holds itself, in parts, as an office does."""

import hashlib

from sqlalchemy import select

from meterlink.record.schema import PHOTO_PART
from meterlink.record.store import Store


def stored_photo(store: Store, job: str, sha256: str) -> bytes | None:
    """Return the photo of a job that has this hash; None where it is not there, or not whole yet."""
    parts = select(PHOTO_PART.c.data).where(PHOTO_PART.c.job == job, PHOTO_PART.c.sha256 == sha256)
    with store.reading() as connection:
        data = b"".join(connection.execute(parts.order_by(PHOTO_PART.c.part)).scalars())
    return data if hashlib.sha256(data).hexdigest() == sha256 else None
