"""Finds wire formats and transports by entry point: lazily and one by one, so a broken one harms none but itself."""

from collections.abc import Iterable
from importlib.metadata import EntryPoint, EntryPoints, entry_points
from pathlib import Path
from typing import TypeVar

from meterlink.described.files import SUFFIXES, in_folder, shipped_descriptions
from meterlink.driver import Decoder, Format, Transport
from meterlink.errors import UsageError
from meterlink.home import formats_folder
from meterlink.instrument import Wire

_STORED = {"poll": "off", "from-start": "yes"}
"""Options of formats that bytes from a file want."""
_Plugin = TypeVar("_Plugin")
_SHIPPED = "described:"
_FORMATS: tuple[type[Format | Path], ...] = (Format, Path)
"""What an entry point of a format may be."""


def load_format(name: str) -> Format:
    """Load the wire format of this name, or the one that the file at this path describes.

    Raises:
        UsageError: no such format (the known ones are listed), or it cannot be loaded (its distribution is named).
        FileError: the file that describes it is not there, or wrong; says where.
    """
    if _is_path(name):
        return _described(Path(name))
    own = in_folder(formats_folder())
    coded = name in entry_points(group="meterlink.formats").names
    if name in own and coded:
        raise UsageError(f"format {name!r} is an installed one and also described in {own[name]}; rename that file")
    if name in own:
        return _described(own[name])
    if name.startswith(_SHIPPED):
        return _described(_shipped(name))
    plugin = _load("meterlink.formats", "format", name, _FORMATS, known=own)
    return plugin if isinstance(plugin, Format) else _described(plugin)


def _is_path(name: str) -> bool:
    return "/" in name or "\\" in name or name.endswith((*SUFFIXES, ".toml"))


def _shipped(name: str) -> Path:
    known = shipped_descriptions()
    if name.removeprefix(_SHIPPED) not in known:
        raise UsageError(f"unknown format {name!r}; known: {', '.join(_SHIPPED + each for each in known)}")
    return known[name.removeprefix(_SHIPPED)]


def _described(path: Path) -> Format:
    # Not with this module: most formats are code, and pydantic takes a while to import.
    from meterlink.described.load import load_description  # noqa: PLC0415

    return load_description(path)


def decoder_of(wire: Wire) -> Decoder:
    """Make a decoder for frames that are stored: it asks nothing, and takes each frame from its beginning.

    Raises:
        UsageError: the format is not known any more, or takes no such options.
        ProcedureError: its stored description is none.
    """
    if wire.description is None:
        found = load_format(wire.format)
    else:
        from meterlink.described.parse import parse_description  # noqa: PLC0415 - as below

        found = parse_description(wire.description, f"format {wire.format} (stored)")
    stored = {name: value for name, value in _STORED.items() if name in found.options}
    return found.decoder({**wire.options, **stored})


def load_transport(scheme: str) -> Transport:
    """Load the transport for this scheme.

    Raises:
        UsageError: no such scheme (the known ones are listed), or it cannot be loaded (its distribution is named).
    """
    return _load("meterlink.transports", "scheme", scheme, (Transport,), known=("trace",))


def format_names() -> list[str]:
    """List the names of all formats, without loading any; not those of the twins that are described as well."""
    return sorted({*entry_points(group="meterlink.formats").names, *in_folder(formats_folder())})


def transport_names() -> list[str]:
    """List the schemes of all transports, without loading any."""
    return sorted(entry_points(group="meterlink.transports").names)


def _load(group: str, what: str, name: str, kinds: tuple[type[_Plugin], ...], known: Iterable[str] = ()) -> _Plugin:
    found: EntryPoints = entry_points(group=group)
    matching = [entry for entry in found if entry.name == name]
    if not matching:
        raise UsageError(f"unknown {what} {name!r}; known: {', '.join(sorted({*found.names, *known}))}")
    if len(matching) > 1:
        raise UsageError(f"{what} {name!r} is offered twice, by {' and '.join(map(_origin, matching))}; uninstall one")
    (entry,) = matching
    try:
        plugin = entry.load()
    except Exception as error:  # whatever an outside package raises while it is imported
        reason = f"{type(error).__name__}: {error}"
        raise UsageError(f"{what} {name!r} of {_origin(entry)} cannot be loaded: {reason}") from error
    if not isinstance(plugin, kinds):
        raise UsageError(
            f"{what} {name!r} of {_origin(entry)} is no {kinds[0].__name__}: {entry.value} is {plugin!r:.80}"
        )
    return plugin


def _origin(entry: EntryPoint) -> str:
    return f"{entry.dist.name} {entry.dist.version}" if entry.dist else entry.value
