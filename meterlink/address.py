"""From a METER address to the format, its options and its line settings: as written, by profile, or as remembered.

Nothing is guessed. An address that names neither a format nor a profile stands for what was once said or identified
about this very device; where nothing was, it is refused with what to do.
"""

from collections.abc import Mapping
from dataclasses import dataclass

from pydantic import ValidationError

from meterlink.driver import Format, LineSettings, MeterUrl, Transport
from meterlink.errors import UsageError
from meterlink.home import settings_folder
from meterlink.known_meters import KnownMeter, known_meters
from meterlink.profile import Line, Profile
from meterlink.profiles import load_profile
from meterlink.registry import load_format

OPTIONS = {
    "format": "the wire format",
    "profile": "a meter profile, by name or file: format, options and line settings at once",
}
"""The options of a METER address that are read here."""


@dataclass(frozen=True, slots=True)
class Resolved:
    """What a METER address comes to."""

    format: Format
    options: Mapping[str, str]
    """The format's options: the address's own over the profile's."""
    line: LineSettings
    """The profile's line settings over the format's. The transport puts the address's own options over them."""
    profile: Profile | None = None
    """None where the address, or its transport, names the format itself."""


class MeterUnknownError(UsageError):
    """The address names neither format nor profile, and nothing is remembered of the device."""


async def resolve(url: MeterUrl, transport: Transport) -> Resolved:
    """Work out what a METER address means.

    Raises:
        MeterUnknownError: nothing says what the device speaks.
        UsageError: format or profile are not known, or both are given.
        FileError: the profile or the remembered meters cannot be read.
        LinkError: the device has to be looked up and is not there.
    """
    named, profile_name = url.options.get("format"), url.options.get("profile")
    if named and profile_name:
        raise UsageError(f"{_plain(url)}: both format and profile are given; leave one out")
    if not profile_name and (named := named or transport.default_format):
        wire = load_format(named)
        return Resolved(wire, _own(url, wire), wire.line)
    known = None if profile_name else await remembered(url, transport)
    profile_name = known.profile if known else profile_name
    if not profile_name:
        raise MeterUnknownError(
            f"{_plain(url)}: what this meter speaks is not known; run: steadypoint identify {_plain(url)}, "
            "or add ?profile=NAME or ?format=NAME (listed by: steadypoint formats)"
        )
    profile = load_profile(profile_name)
    wire = load_format(profile.format)
    line = profile.line_settings(wire.line)
    if known:
        line = known_line(known).over(line)
    return Resolved(wire, {**profile.options, **_own(url, wire)}, line, profile)


async def identity_of(url: MeterUrl, transport: Transport) -> str:
    """Return the stable identity of the device at an address.

    Raises:
        LinkError: it is not there now.
    """
    if transport.identity is None:
        return _plain(url)
    return await transport.identity(url.address)


async def remembered(url: MeterUrl, transport: Transport) -> KnownMeter | None:
    """Return what is remembered of the device at an address; None where nothing is."""
    meters = known_meters(settings_folder())
    if not meters:
        return None
    return meters.get(await identity_of(url, transport))


def known_line(known: KnownMeter) -> Line:
    """Return what is remembered of a device's line.

    Raises:
        UsageError: it is no line.
    """
    try:
        return Line.model_validate(known.line)
    except ValidationError as error:
        raise UsageError(f"meters.json holds a line {dict(known.line)} that no port has; identify it anew") from error


def _own(url: MeterUrl, wire: Format) -> dict[str, str]:
    return {name: value for name, value in url.options.items() if name in wire.options}


def _plain(url: MeterUrl) -> str:
    return f"{url.scheme}:{url.address}"
