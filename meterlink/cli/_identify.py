"""What `identify`, `meters` and the commands with a METER share: run the search, ask, remember."""

import asyncio
import sys
from collections.abc import Callable, Mapping

import click

from meterlink.address import MeterUnknownError, resolve
from meterlink.driver import MeterUrl, parse_meter_url
from meterlink.errors import UsageError
from meterlink.find_words import candidates, explanation
from meterlink.finder import LISTEN_S, identify
from meterlink.found import Finding
from meterlink.home import home_folder
from meterlink.known_meters import KnownMeter, remember, utc_now
from meterlink.link import start_clock
from meterlink.profile import Profile
from meterlink.registry import load_format, load_transport


def to_stderr(text: str) -> None:
    """Print what is going on beside the answer."""
    click.echo(f"steadypoint: {text}", err=True)


def search(url: MeterUrl, *, say: Callable[[str], None] = to_stderr, listen_s: float = LISTEN_S) -> Finding:
    """Find out what a meter speaks. Raises `MeterlinkError` as `meterlink.finder.identify` does."""
    if url.scheme == "trace":
        raise UsageError("trace: a file of readings; there is no meter to identify")
    transport = load_transport(url.scheme)
    return asyncio.run(identify(url, transport, start_clock(), say, listen_s=listen_s))


def chosen(finding: Finding, name: str) -> Profile:
    """Return the profile that the user states.

    Raises:
        UsageError: it is none of those that fit what was heard.
    """
    for profile in finding.profiles:
        if profile.profile == name:
            return profile
    heard = ", ".join(each.format for each in finding.formats) or "nothing that is known"
    fitting = ", ".join(profile.profile for profile in finding.profiles) or "none"
    raise UsageError(
        f"profile {name!r} does not fit what {finding.address} sends ({heard}); fitting: {fitting}; "
        f"to use it all the same, say {finding.address}?profile={name} each time"
    )


def ask(finding: Finding) -> Profile | None:
    """Ask on the terminal which profile it is; None where the user cannot say either."""
    for line in candidates(finding):
        to_stderr(line)
    answer = click.prompt(
        "Which is it? Its number, or 0 if you do not know",
        type=click.IntRange(0, len(finding.profiles)),
        default=0,
        err=True,
    )
    return finding.profiles[answer - 1] if answer else None


def keep(finding: Finding, profile: Profile, *, stated: bool, tag: str = "") -> None:
    """Remember what a device speaks."""
    line: Mapping[str, str] = finding.line_options(profile, load_format(profile.format))
    how = "stated" if stated else "identified"
    remember(home_folder(), finding.identity, KnownMeter(profile.profile, how, utc_now(), tag, line))


def remembered_words(finding: Finding, profile: Profile) -> str:
    """Say what is remembered now."""
    return f"Remembered: {finding.identity} is {profile.profile}; from now on {finding.address} is enough."


def ensure_known(meter: str) -> None:
    """See to it that a METER address says what the meter speaks: on a terminal, by finding out and asking once.

    Raises:
        MeterlinkError: it is not known and cannot be found out here.
    """
    url = parse_meter_url(meter)
    if url.scheme == "trace":
        return
    try:
        asyncio.run(resolve(url, load_transport(url.scheme)))
    except MeterUnknownError:
        if not (sys.stdin.isatty() and sys.stderr.isatty()):
            raise
        finding = search(MeterUrl(url.scheme, url.address, _transport_options(url)))
        for line in explanation(finding):
            to_stderr(line)
        profile = finding.profile or (ask(finding) if finding.profiles else None)
        if profile is None:
            raise
        keep(finding, profile, stated=finding.profile is None)
        to_stderr(remembered_words(finding, profile))


def _transport_options(url: MeterUrl) -> dict[str, str]:
    own = load_transport(url.scheme).options
    return {name: value for name, value in url.options.items() if name in own}
