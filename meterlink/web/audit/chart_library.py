"""The chart library's one file for browsers, out of its own installed package; nothing of it is imported."""

from functools import cache
from importlib.metadata import distribution
from pathlib import Path

from meterlink.web.audit.packed import pack

VERSION = distribution("plotly").version


@cache
def library() -> tuple[bytes, bytes]:
    """Return the file as it is, and compressed (4.8 MB become 1.5 MB); read once."""
    path = Path(str(distribution("plotly").locate_file("plotly/package_data/plotly.min.js")))
    plain = path.read_bytes()
    return plain, pack(plain)
