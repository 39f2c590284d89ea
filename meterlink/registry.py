"""Finds wire formats and transports by entry point: lazily and one by one, so a broken one harms none but itself."""

from collections.abc import Iterable
from importlib.metadata import EntryPoint, EntryPoints, entry_points
from typing import TypeVar

from meterlink.driver import Format, Transport
from meterlink.errors import UsageError

_Plugin = TypeVar("_Plugin", Format, Transport)


def load_format(name: str) -> Format:
    """Load the wire format of this name.

    Raises:
        UsageError: no such format (the known ones are listed), or it cannot be loaded (its distribution is named).
    """
    return _load("meterlink.formats", "format", name, Format)


def load_transport(scheme: str) -> Transport:
    """Load the transport for this scheme.

    Raises:
        UsageError: no such scheme (the known ones are listed), or it cannot be loaded (its distribution is named).
    """
    return _load("meterlink.transports", "scheme", scheme, Transport, built_in=("trace",))


def format_names() -> list[str]:
    """List the names of all formats, without loading any."""
    return sorted(entry_points(group="meterlink.formats").names)


def transport_names() -> list[str]:
    """List the schemes of all transports, without loading any."""
    return sorted(entry_points(group="meterlink.transports").names)


def _load(group: str, what: str, name: str, kind: type[_Plugin], built_in: Iterable[str] = ()) -> _Plugin:
    found: EntryPoints = entry_points(group=group)
    matching = [entry for entry in found if entry.name == name]
    if not matching:
        known = ", ".join(sorted({*found.names, *built_in}))
        raise UsageError(f"unknown {what} {name!r}; known: {known}")
    if len(matching) > 1:
        raise UsageError(f"{what} {name!r} is offered twice, by {' and '.join(map(_origin, matching))}; uninstall one")
    (entry,) = matching
    try:
        plugin = entry.load()
    except Exception as error:  # whatever an outside package raises while it is imported
        reason = f"{type(error).__name__}: {error}"
        raise UsageError(f"{what} {name!r} of {_origin(entry)} cannot be loaded: {reason}") from error
    if not isinstance(plugin, kind):
        raise UsageError(f"{what} {name!r} of {_origin(entry)} is no {kind.__name__}: {entry.value} is {plugin!r:.80}")
    return plugin


def _origin(entry: EntryPoint) -> str:
    return f"{entry.dist.name} {entry.dist.version}" if entry.dist else entry.value
