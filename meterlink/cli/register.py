"""`steadypoint register`: put a meter into the register, or change what is there."""

import asyncio
from datetime import date

import click

from meterlink.address import identity_of
from meterlink.driver import parse_meter_url
from meterlink.errors import UsageError
from meterlink.home import home_folder
from meterlink.instruments.instrument_file import (
    Registered,
    calibration_on,
    examine_instrument,
    instrument_text,
    parse_day,
)
from meterlink.instruments.shelf import (
    instrument_names,
    lasting_name,
    load_instrument,
    load_sheet,
    local_day,
    recognise,
    save_instrument,
    sheet_names,
)
from meterlink.registry import load_transport


@click.command("register", short_help="Put a meter into the register, or change what is there.")
@click.argument("name")
@click.option("--sheet", metavar="SHEET", help="Its accuracy sheet, by name or file; a new meter needs one.")
@click.option("--certificate", metavar="C", help="The number of its calibration certificate.")
@click.option("--calibrated", metavar="DAY", help="The day of calibration, such as 2026-03-02.")
@click.option("--due", metavar="DAY", help="The last day on which the calibration is valid.")
@click.option("--meter", metavar="METER", help="Where it is plugged in now, so that it is known again.")
@click.option("--note", metavar="TEXT", help="Anything else.")
def command(
    *,
    name: str,
    sheet: str | None,
    certificate: str | None,
    calibrated: str | None,
    due: str | None,
    meter: str | None,
    note: str | None,
) -> None:
    """Put the meter NAME (its asset number) into the register, with its accuracy sheet and its calibration.

    Of a meter that is there already, what the call does not name is kept, and shown; comments in its file are not.
    --meter adds to the identities of the device. That of a cable is the cable's: use it with this meter only.
    """
    known = load_instrument(name) if name in instrument_names() else None
    if sheet is not None:
        load_sheet(sheet)
    elif known is None:
        raise UsageError(f"meter {name!r} is not registered yet: add --sheet, one of {', '.join(sheet_names())}")
    before = known or Registered(name, (), "")
    registered = Registered(
        name,
        identities=before.identities if meter is None else _identities(before, meter),
        sheet=before.sheet if sheet is None else lasting_name(sheet),
        certificate=before.certificate if certificate is None else certificate,
        calibrated=before.calibrated if calibrated is None else _day("--calibrated", calibrated),
        due=before.due if due is None else _day("--due", due),
        note=before.note if note is None else note,
    )
    path = save_instrument(home_folder(), registered)
    calibration = calibration_on(registered, local_day())
    click.echo(f"{name} is registered: sheet {registered.sheet}, calibration {calibration}. It lies in {path}.")
    given = {"sheet": sheet, "certificate": certificate, "calibrated": calibrated, "due": due, "note": note}
    kept = [f"{key} {getattr(before, key)}" for key, value in given.items() if value is None and getattr(before, key)]
    kept += [f"identity {each}" for each in before.identities]
    if kept:
        click.echo(f"Kept as it was: {', '.join(kept)}.")
    for problem in examine_instrument(instrument_text(registered), str(path)).problems:
        click.echo(f"steadypoint: {problem.message}", err=True)


def _day(option: str, text: str) -> date:
    try:
        return parse_day(text)
    except ValueError as error:
        raise UsageError(f"{option} {error}") from error


def _identities(before: Registered, meter: str) -> tuple[str, ...]:
    url = parse_meter_url(meter)
    if url.scheme == "trace":
        raise UsageError("trace: a file of readings; there is no meter to register")
    identity = asyncio.run(identity_of(url, load_transport(url.scheme)))
    other = recognise(identity)
    if other is not None and other.name != before.name:
        raise UsageError(f"{identity} belongs to {other.name} already; take it out of that meter's file first")
    return before.identities if identity in before.identities else (*before.identities, identity)
