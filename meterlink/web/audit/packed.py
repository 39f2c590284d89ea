"""Answers of some size, compressed for browsers that take that. Pure."""

import gzip
from collections.abc import Mapping

_WORTH_IT = 2000
"""Bytes; shorter ones are sent as they are."""
_LEVEL = 5


def pack(body: bytes) -> bytes:
    """Compress with gzip, the same bytes each time."""
    return gzip.compress(body, _LEVEL, mtime=0)


def packed_for(accepted: str, body: bytes) -> tuple[bytes, Mapping[str, str]]:
    """Compress an answer where it pays, and the browser's `Accept-Encoding` has gzip; return it with its headers."""
    if "gzip" in accepted and len(body) >= _WORTH_IT:
        return pack(body), {"Content-Encoding": "gzip", "Vary": "Accept-Encoding"}
    return body, {"Vary": "Accept-Encoding"}
