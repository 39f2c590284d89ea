"""`steadypoint instruments`: the register of meters, and how each one's calibration stands today."""

import json
from collections.abc import Iterator, Sequence

import click

from meterlink.errors import MeterlinkError
from meterlink.instruments.instrument_file import Registered, calibration_on
from meterlink.instruments.page import INSTRUMENT_HEAD, instrument_json, instrument_row
from meterlink.instruments.shelf import all_instruments, load_sheet, local_day
from meterlink.record.words import columns


@click.command("instruments", short_help="List the registered meters and their calibration.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object a line.")
def command(as_json: bool) -> None:
    """List the registered meters: accuracy sheet, certificate, and how the calibration stands today.

    CALIBRATION is valid up to and on the due day, then overdue; missing without a certificate, a day of calibration
    or a due day. steadypoint register adds a meter.
    """
    shelf, today = all_instruments(), local_day()
    known = [(each, calibration_on(each, today)) for each in shelf.instruments]
    if as_json:
        for each in known:
            click.echo(json.dumps(instrument_json(*each), ensure_ascii=False))
    elif known:
        click.echo("\n".join(columns([INSTRUMENT_HEAD, *(instrument_row(*each) for each in known)])))
    elif not shelf.troubles:
        click.echo("No meter is registered yet; add one with: steadypoint register NAME --sheet SHEET", err=True)
    for trouble in (*shelf.troubles, *_without_sheet(shelf.instruments)):
        click.echo(f"steadypoint: {trouble}", err=True)


def _without_sheet(instruments: Sequence[Registered]) -> Iterator[str]:
    for each in instruments:
        try:
            load_sheet(each.sheet)
        except MeterlinkError as error:
            yield f"{each.name}: {error}"
