"""`steadypoint report`: a job for an auditor, on paper or as a page."""

from pathlib import Path

import click

from meterlink.cli._proof import proof_of
from meterlink.cli._source import open_source
from meterlink.cli._store import store_option
from meterlink.errors import FileError, UsageError
from meterlink.home import home_folder
from meterlink.paper.typeset import Paper
from meterlink.report.content import report
from meterlink.report.pictures import with_pictures


@click.command("report", short_help="Write a job as a report: PDF for the file, or a page.")
@click.argument("job", metavar="JOB|FILE")
@click.option("-o", "--output", metavar="FILE.pdf|FILE.html", required=True, help="Write it here, over what is there.")
@click.option("--paper", type=click.Choice([each.value for each in Paper]), default="a4", show_default=True)
@store_option
def command(job: str, output: str, paper: str, store_url: str | None) -> None:
    """Write a report of JOB, an id that `steadypoint jobs` lists, or of FILE, an archive.

    Page one has what was checked, what is open, and whether the record is proven; then come cautions, instrument, every
    step with its limits and their source, every touch as a picture, jumpers, faults, notes, and how to verify it. The
    PDF is an archive file (PDF/A-2a), tagged; the page is one file without scripts. The same job gives the same bytes.

    A job that is not complete, not sealed, or altered is reported too, and page one says so.

    Exit status: 0 written, whatever it says; 2 bad usage or a bad file.
    """
    path, folder = Path(output), home_folder()
    kind = path.suffix.lower()
    if kind not in (".pdf", ".html"):
        raise UsageError(f"--output {output}: expected a name that ends in .pdf or .html")
    with open_source(job, folder, store_url) as source:
        content = report(source.job, source.lines(), source.seals, proof_of(source, folder))
        content = with_pictures(content, source.photo)
    try:
        path.write_bytes(_rendered(content, kind, Paper(paper)))
    except OSError as error:
        raise FileError(output, f"cannot be written: {error.strerror}") from error


def _rendered(content: dict[str, object], kind: str, paper: Paper) -> bytes:
    # Each brings a library that takes a while to import.
    if kind == ".pdf":
        from meterlink.report.sheet import pdf  # noqa: PLC0415

        return pdf(content, paper)
    from meterlink.report.page import page  # noqa: PLC0415

    return page(content).encode()
