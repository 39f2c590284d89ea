"""`steadypoint meters`: what is plugged in or in radio range, and what each speaks."""

import asyncio
import json
from collections.abc import Mapping

import click

from meterlink.cli._identify import keep, search
from meterlink.driver import parse_meter_url
from meterlink.errors import FileError, LinkError
from meterlink.find_words import short_words
from meterlink.home import settings_folder
from meterlink.known_meters import KnownMeter, known_meters
from meterlink.meter_list import Listed, list_meters


@click.command("meters", short_help="List the serial ports and Bluetooth devices, and what each speaks.")
@click.option("--identify", "find_out", is_flag=True, help="Listen to each one that is not known yet.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object a device.")
def command(find_out: bool, as_json: bool) -> None:
    """List the serial ports and Bluetooth LE devices that are there now: METER address, name, identity, what it speaks.

    Nothing is opened but with --identify, which takes some seconds a device and remembers what is certain.
    """
    listed = asyncio.run(list_meters(_known()))
    for each in listed.meters:
        speaks = _found_out(each) if find_out and not each.known and not each.device.trouble else each.speaks
        click.echo(json.dumps(_row(each, speaks), ensure_ascii=False) if as_json else "\n".join(_lines(each, speaks)))
    for trouble in listed.troubles:
        click.echo(f"steadypoint: {trouble}", err=True)
    if not listed.meters and not as_json:
        click.echo("No serial port and no Bluetooth device is there now.")


def _known() -> Mapping[str, KnownMeter]:
    try:
        return known_meters(settings_folder())
    except FileError as error:
        click.echo(f"steadypoint: {error}", err=True)
        return {}


def _found_out(listed: Listed) -> str:
    try:
        finding = search(parse_meter_url(listed.device.address), say=lambda what: None)
    except LinkError as error:
        return f"not found out: {error}"
    if finding.profile:
        keep(finding, finding.profile, stated=False)
    return short_words(finding)


def _row(listed: Listed, speaks: str) -> dict[str, object]:
    device, known = listed.device, listed.known
    return {
        "meter": device.address,
        "name": device.name,
        "identity": device.identity,
        "speaks": speaks,
        "profile": known.profile if known else None,
        "tag": known.tag if known else "",
        "suggested": list(device.formats),
        "trouble": device.trouble,
    }


def _lines(listed: Listed, speaks: str) -> list[str]:
    device = listed.device
    lines = [device.address, *([f"    {device.name}"] if device.name else [])]
    lines += [f"    {device.identity}", f"    {speaks}"]
    return lines + ([f"    {device.trouble}"] if device.trouble else [])
