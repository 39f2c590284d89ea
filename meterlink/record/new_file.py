"""A file that is written only where there is none, and whole or not at all."""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from meterlink.errors import RecordError


@contextmanager
def new_file(path: Path) -> Iterator[None]:
    """Let the block create and write a file, with mode `x`; whatever breaks in leaves none.

    Raises:
        RecordError: there is one of that name, or it cannot be written.
    """
    try:
        yield
    except FileExistsError as error:
        raise RecordError(f"{path}: there is a file of that name already; nothing is overwritten") from error
    except BaseException as error:
        path.unlink(missing_ok=True)
        if isinstance(error, OSError):
            raise RecordError(f"{path}: cannot be written ({error.strerror})") from error
        raise
