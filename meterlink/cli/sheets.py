"""`steadypoint sheets`: the accuracy sheets there are, and what one states."""

import json

import click

from meterlink.errors import MeterlinkError
from meterlink.instrument import Sheet
from meterlink.instruments.page import sheet_json, sheet_table
from meterlink.instruments.shelf import load_sheet, sheet_names
from meterlink.record.words import columns

_HEAD = ("SHEET", "TITLE", "FUNCTIONS")


@click.command("sheets", short_help="List the accuracy sheets, or show one.")
@click.argument("name", metavar="[NAME]", required=False)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object a line.")
def command(name: str | None, as_json: bool) -> None:
    """List the accuracy sheets, shipped and own, or show what the sheet NAME states of each range.

    NAME is a sheet's name or a file. Your own lie in the folder sheets of the home folder. Accuracies are limits of
    error, ±(percent of the reading + counts).
    """
    if name is not None:
        _show(load_sheet(name), as_json)
        return
    sheets, troubles = _all()
    if as_json:
        for sheet in sheets:
            click.echo(json.dumps({**sheet_json(sheet), "functions": list(sheet.ranges)}, ensure_ascii=False))
    else:
        rows = [(sheet.name, sheet.title, ", ".join(sheet.ranges)) for sheet in sheets]
        click.echo("\n".join(columns([_HEAD, *rows])))
    for trouble in troubles:
        click.echo(f"steadypoint: {trouble}", err=True)


def _all() -> tuple[list[Sheet], list[str]]:
    sheets: list[Sheet] = []
    troubles: list[str] = []
    for name in sheet_names():
        try:
            sheets.append(load_sheet(name))
        except MeterlinkError as error:
            troubles.append(str(error))
    return sheets, troubles


def _show(sheet: Sheet, as_json: bool) -> None:
    if as_json:
        click.echo(json.dumps(sheet_json(sheet), ensure_ascii=False))
        return
    for text in filter(None, (sheet.title, sheet.source)):
        click.echo(text)
    click.echo("\n".join(columns(sheet_table(sheet))))
