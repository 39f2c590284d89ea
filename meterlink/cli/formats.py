"""`steadypoint formats`: the wire formats there are."""

import json

import click

from meterlink.errors import MeterlinkError
from meterlink.format_page import format_json, format_lines
from meterlink.profiles import all_profiles
from meterlink.registry import format_names, load_format


@click.command("formats", short_help="List the wire formats.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object a line.")
def command(as_json: bool) -> None:
    """List every wire format: line, how sure its layout is, whether the meter is asked, options, and its profiles.

    An experimental one is from memory: hold its readings against the display.
    """
    shelf = all_profiles()
    for name in format_names():
        try:
            wire = load_format(name)
        except MeterlinkError as error:
            click.echo(f"steadypoint: {error}", err=True)
            continue
        profiles = [profile for profile in shelf.profiles if profile.format == name]
        if as_json:
            row = {**format_json(wire), "profiles": [profile.profile for profile in profiles]}
            click.echo(json.dumps(row, ensure_ascii=False))
            continue
        click.echo("\n".join(format_lines(wire)))
        for profile in profiles:
            click.echo(f"    ?profile={profile.profile}: {profile.title}")
    for trouble in shelf.troubles:
        click.echo(f"steadypoint: {trouble}", err=True)
