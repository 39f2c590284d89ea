"""A QR code that a phone reads: on the terminal, or as a picture."""

import io
from pathlib import Path

import segno

from meterlink.errors import UsageError
from meterlink.file_change import replace_bytes

PICTURES = ("svg", "png")


def terminal_code(text: str) -> str:
    """Return a code for the terminal, two rows of it to a line, dark on light whatever the terminal's colours are."""
    written = io.StringIO()
    segno.make_qr(text).terminal(written, compact=True)
    return written.getvalue()


def write_code(path: Path, text: str) -> None:
    """Write a code as a picture, with mode 0600: for a while whoever has it gets in.

    Raises:
        UsageError: the file's name ends neither in `.svg` nor in `.png`, or it cannot be written.
    """
    kind = path.suffix.lower().removeprefix(".")
    if kind not in PICTURES:
        raise UsageError(f"{path}: expected a name that ends in .svg or .png")
    written = io.BytesIO()
    segno.make_qr(text).save(written, kind=kind, scale=8, dark="#000", light="#fff")
    try:
        replace_bytes(path, written.getvalue())
    except OSError as error:
        raise UsageError(f"{path}: cannot be written ({error.strerror})") from error
