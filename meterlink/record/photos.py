"""Photos that belong to a job's notes: each in a file beside the record, named by what is in it."""

import hashlib
from collections.abc import Callable
from pathlib import Path

from meterlink.errors import RecordError
from meterlink.file_change import replace_bytes
from meterlink.note import Photo

ReadPhoto = Callable[[str], bytes | None]
"""Returns the bytes that have a hash; None where they are not there, or are others by now."""

FOLDER = "photos"
"""In the record's folder."""

MAX_BYTES = 32 * 1024 * 1024
"""More than any telephone's camera makes of one picture."""


def keep_photo(folder: Path, data: bytes, name: str, media_type: str) -> Photo:
    """Keep a picture durably, before any note speaks of it; the same picture is kept once.

    Args:
        folder: the record's.
        data: the picture, as it came.
        name: what the user calls it.
        media_type: such as `image/jpeg`.

    Raises:
        RecordError: it is empty or too large, or it could not be written; says why.
    """
    if not data or len(data) > MAX_BYTES:
        raise RecordError(f"photo {name}: {len(data)} bytes; expected 1 to {MAX_BYTES}")
    photo = Photo(name, media_type, len(data), hashlib.sha256(data).hexdigest())
    target = photo_path(folder, photo.sha256)
    try:
        target.parent.mkdir(exist_ok=True)
        if not target.exists():
            replace_bytes(target, data)
    except OSError as error:
        raise RecordError(f"photo {name} is not kept in {target.parent}: {error.strerror}") from error
    return photo


def photo_path(folder: Path, sha256: str) -> Path:
    """Where a picture lies.

    Raises:
        RecordError: that is no SHA-256 in hex.
    """
    if len(sha256) != 64 or not set(sha256) <= set("0123456789abcdef"):
        raise RecordError(f"{sha256!r} names no photo; expected a SHA-256 in hex")
    return folder / FOLDER / sha256


def photo_bytes(folder: Path, sha256: str) -> bytes | None:
    """The very bytes of this hash, from the record's folder; None where they do not lie there."""
    try:
        data = photo_path(folder, sha256).read_bytes()
    except (OSError, RecordError):
        return None
    return data if hashlib.sha256(data).hexdigest() == sha256 else None


def has_photo(folder: Path, sha256: str) -> bool:
    """Tell whether the very bytes of this hash lie in the record's folder."""
    return photo_bytes(folder, sha256) is not None


def photos_in(folder: Path) -> ReadPhoto:
    """Return what reads the photos that lie in a record's folder."""
    return lambda sha256: photo_bytes(folder, sha256)
