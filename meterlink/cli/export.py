"""`steadypoint export`: a job as a table, as measurements, or as a whole."""

import csv
import json
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import TextIO

import click

from meterlink.cli._source import Source, open_source
from meterlink.cli._store import store_option
from meterlink.errors import RecordError
from meterlink.home import home_folder
from meterlink.record.archive import write_archive
from meterlink.record.chain import Line
from meterlink.record.measurements import senml
from meterlink.record.new_file import new_file
from meterlink.record.table import rows


@click.command("export", short_help="Write a job as CSV, SenML, or an archive for another machine.")
@click.argument("job")
@click.option("--as", "form", type=click.Choice(["csv", "senml", "archive"]), required=True, help="In which form.")
@click.option("-o", "--output", type=click.Path(dir_okay=False), required=True, help="The new file.")
@store_option
def command(job: str, form: str, output: str, store_url: str | None) -> None:
    """Write JOB to a new file; one that is there is never overwritten.

    csv: every event a row (RFC 4180); a cell that a spreadsheet might run as a formula begins with a quote. senml:
    readings and verdicts as SenML JSON (RFC 8428). archive: the whole job, for another machine to import, verify and
    replay.
    """
    path = Path(output)
    with open_source(job, home_folder(), store_url) as source:
        if form == "archive":
            write_archive(path, source.job, _sound(source), source.seals, source.photo)
        else:
            _write(path, source, _csv if form == "csv" else _senml)


def _sound(source: Source) -> Iterable[Line]:
    for line in source.lines():
        if line is None or not line.fits:
            where = "an event" if line is None else f"event {line.seq}"
            raise RecordError(f"job {source.job.id}: {where} was altered; see: steadypoint verify {source.job.id}")
        yield line


def _write(path: Path, source: Source, put: Callable[[TextIO, Source], None]) -> None:
    with new_file(path), path.open("x", encoding="utf-8", newline="") as file:
        put(file, source)


def _csv(file: TextIO, source: Source) -> None:
    csv.writer(file, lineterminator="\r\n").writerows(rows(source.events()))


def _senml(file: TextIO, source: Source) -> None:
    before = "["
    for record in senml(source.job, source.events()):
        file.write(f"{before}\n{json.dumps(record, ensure_ascii=False)}")
        before = ","
    file.write("[]\n" if before == "[" else "\n]\n")
