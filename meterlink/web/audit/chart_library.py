"""The chart library's one file for browsers, out of its own installed package, which says how it is had."""

from functools import cache
from importlib.metadata import version

from meterlink.web.audit.packed import pack

VERSION = version("plotly")


@cache
def library() -> tuple[bytes, bytes]:
    """Return the file as it is, and compressed (4.8 MB become 1.5 MB); read once."""
    from plotly.offline import get_plotlyjs  # noqa: PLC0415 - takes a while, and only an auditor's browser wants it

    plain = str(get_plotlyjs()).encode()
    return plain, pack(plain)
