"""`steadypoint identify`: find out what a meter speaks, say how one knows, and remember it."""

import json
import sys

import click

from meterlink.cli._identify import ask, chosen, keep, remembered_words, search
from meterlink.driver import parse_meter_url
from meterlink.find_words import explanation, finding_json
from meterlink.finder import LISTEN_S

KNOWN, NOT_KNOWN = range(2)


@click.command("identify", short_help="Find out what a meter speaks, and remember it.")
@click.argument("meter")
@click.option("--profile", "stated", metavar="NAME", help="Say which profile it is, where the bytes cannot tell.")
@click.option("--tag", default="", metavar="TEXT", help="A name of your own for this meter.")
@click.option("--no-remember", is_flag=True, help="Only explain; remember nothing.")
@click.option(
    "--listen", "listen_s", type=click.FloatRange(0.1, 60), default=LISTEN_S, help="Seconds to listen at each setting."
)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object, and nothing else; ask nothing.")
def command(*, meter: str, stated: str | None, tag: str, no_remember: bool, listen_s: float, as_json: bool) -> None:
    """Find out what the meter at METER speaks: listen first, ask only where all is silent.

    METER is an address without a format, such as serial:/dev/ttyUSB0. What the bytes alone cannot tell is asked on a
    terminal, once; elsewhere --profile says it.

    Exit status: 0 the profile is known, 1 it is not, 2 bad usage or no meter there.
    """
    finding = search(parse_meter_url(meter), listen_s=listen_s)
    profile = chosen(finding, stated) if stated else finding.profile
    if not as_json:
        click.echo("\n".join(explanation(finding)))
        if profile is None and finding.profiles and not no_remember and sys.stdin.isatty():
            profile = ask(finding)
    if profile and not no_remember:
        keep(finding, profile, stated=finding.profile is None, tag=tag)
    if as_json:
        kept = profile.profile if profile and not no_remember else None
        click.echo(json.dumps({**finding_json(finding), "remembered": kept}, ensure_ascii=False))
    elif profile and not no_remember:
        click.echo(remembered_words(finding, profile))
    elif profile is None and finding.profiles:
        click.echo(f"Say which it is: steadypoint identify {finding.address} --profile NAME")
    sys.exit(KNOWN if profile else NOT_KNOWN)
