"""`steadypoint note`: keep a remark, with or without a photo, in a job's record."""

import mimetypes
import time
from collections import deque
from pathlib import Path

import click

from meterlink.errors import FileError
from meterlink.home import home_folder
from meterlink.note import Note, Photo
from meterlink.reading import Instant
from meterlink.record.codec import to_entry
from meterlink.record.lock import recording
from meterlink.record.photos import keep_photo
from meterlink.record.store import Store


@click.command("note", short_help="Keep a remark, with or without a photo, in a job's record.")
@click.argument("job")
@click.argument("text")
@click.option("--by", default="office", show_default=True, help="Whose remark it is: office, auditor, technician ...")
@click.option("--photo", type=click.Path(dir_okay=False, path_type=Path), help="A picture that belongs to it.")
def command(job: str, text: str, by: str, photo: Path | None) -> None:
    """Keep TEXT as an event of JOB, whether the job has ended or not; it changes no verdict.

    While a check of the job runs, enter it there: on the page, or on standard input with `note TEXT`.
    """
    folder = home_folder()
    with Store.open(folder) as store, recording(folder, store.job(job).id):
        picture = _kept(folder, photo) if photo is not None else None
        (last,) = deque(store.events(job), maxlen=1)
        now = time.time_ns()
        at = Instant(last.at.monotonic_ns + max(now - last.at.utc_ns, 1), now)
        store.append(job, [to_entry(Note(text, by, at, picture))])
    click.echo(f"Kept with job {job}.")


def _kept(folder: Path, photo: Path) -> Photo:
    try:
        data = photo.read_bytes()
    except OSError as error:
        raise FileError(str(photo), error.strerror or "cannot be read") from error
    kind = mimetypes.guess_type(photo.name)[0] or "application/octet-stream"
    return keep_photo(folder, data, photo.name, kind)
