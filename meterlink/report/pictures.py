"""The photos of a report: small, upright, and without what a telephone writes into them, such as where it was."""

import base64
import warnings
from collections.abc import Callable, Mapping, Sequence
from io import BytesIO
from typing import Any

from PIL import Image, ImageOps

_FORMATS = ("JPEG", "PNG", "WEBP", "GIF")
_MOST_DOTS = 200_000_000
"""More than any telephone's camera has; a file that claims more is not opened up."""
_LONGEST = 1000
"""Dots along the longer side: 150 an inch across a page."""
_QUALITY = 80


def with_pictures(content: Mapping[str, Any], photo: Callable[[str], bytes | None]) -> dict[str, object]:
    """Put the photos themselves into a report's content, as SVG with the picture inside.

    Args:
        content: what `meterlink.report.content.report` gives.
        photo: the bytes of a SHA-256, checked; None where they are not there.
    """
    notes: Sequence[Mapping[str, Any]] = content["notes"]
    return {**content, "notes": [_with_picture(note, photo) for note in notes]}


def _with_picture(note: Mapping[str, Any], photo: Callable[[str], bytes | None]) -> Mapping[str, Any]:
    named = note["photo"]
    if named is None:
        return note
    data = photo(named["sha256"])
    return {**note, "photo": {**named, "there": data is not None, "svg": _svg(data) if data else None}}


def _svg(data: bytes) -> str | None:
    """The picture; None where it is none that can be read here."""
    try:
        with warnings.catch_warnings(action="ignore"), Image.open(BytesIO(data), formats=_FORMATS) as opened:
            if opened.width * opened.height > _MOST_DOTS:
                return None
            opened.draft("RGB", (_LONGEST, _LONGEST))
            picture = ImageOps.exif_transpose(opened).convert("RGB")
    except (OSError, ValueError, SyntaxError, Image.DecompressionBombError):  # what damaged pictures raise
        return None
    picture.thumbnail((_LONGEST, _LONGEST))
    written = BytesIO()
    picture.save(written, "JPEG", quality=_QUALITY)
    wide, high = picture.size
    inside = base64.b64encode(written.getvalue()).decode()
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" class="picture" viewBox="0 0 {wide} {high}" width="{wide}" '
        f'height="{high}" aria-hidden="true"><image width="{wide}" height="{high}" '
        f'href="data:image/jpeg;base64,{inside}"/></svg>'
    )
