"""Finds and reads accuracy sheets and registered instruments, and writes the latter. A shell."""

from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, date, datetime
from importlib.resources import files
from pathlib import Path

from meterlink.errors import FileError, MeterlinkError, UsageError
from meterlink.file_change import replace_text
from meterlink.home import settings_folder
from meterlink.instrument import Sheet
from meterlink.instruments.instrument_file import Registered, examine_instrument, instrument_text, is_path
from meterlink.instruments.sheet_file import examine_sheet
from meterlink.procedure.load import SourceText, read_file
from meterlink.procedure.problem import Problem, ProcedureError, Severity
from meterlink.procedure.source import Source

_CAUTIOUS = "cautious-default"
_SUFFIXES = (".yaml", ".yml")
_SHEETS, _INSTRUMENTS = "sheets", "instruments"


@dataclass(frozen=True, slots=True)
class Shelf:
    """All instruments that can be read, and one line on each file that cannot."""

    instruments: tuple[Registered, ...]
    troubles: tuple[str, ...]


def local_day() -> date:
    """The day it is here, by the computer's clock and time zone."""
    return datetime.now(UTC).astimezone().date()


# Sheets


def load_sheet(name: str) -> Sheet:
    """Load an accuracy sheet by name, or from a file where the name is a path.

    Raises:
        UsageError: no sheet of this name (the known ones are listed), or two of it.
        FileError: the file is not there or cannot be read.
        ProcedureError: it is read, but not sound; names every error in it.
    """
    return _load_sheet(_sheet_path(name))


def cautious_sheet() -> Sheet:
    """Load the shipped sheet for a meter of which nothing is known, whatever the user's own sheets are called."""
    return _load_sheet(_shipped_folder() / f"{_CAUTIOUS}.yaml")


def sheet_names() -> list[str]:
    """List the names of all sheets, shipped and own, without reading any."""
    return sorted(_sheet_paths())


def lasting_name(sheet: str) -> str:
    """Return what names a sheet from whatever folder one works in: a name as it is, a path in full."""
    if not is_path(sheet) and sheet in _sheet_paths():
        return sheet
    return str(Path(sheet).absolute())


def sheet_problems(file: SourceText) -> Sequence[Problem]:
    """Return every problem of a sheet's file, in its own terms and against its name."""
    _, problems = _examine_sheet(file)
    return problems


def _sheet_path(name: str) -> Path:
    if is_path(name):
        if not _is_file(name):
            raise FileError(name, "no such file; expected an accuracy sheet")
        return Path(name)
    known = _sheet_paths()
    paths = known.get(name, [])
    if len(paths) > 1:
        raise UsageError(f"sheet {name!r} is there twice, {' and '.join(map(str, paths))}; rename one")
    if paths:
        return paths[0]
    if _is_file(name):
        return Path(name)
    raise UsageError(f"unknown sheet {name!r}; known: {', '.join(sorted(known))}")


def _is_file(name: str) -> bool:
    with suppress(OSError):  # a name may be too long for the disk
        return Path(name).is_file()
    return False


def _sheet_paths() -> dict[str, list[Path]]:
    paths: dict[str, list[Path]] = {}
    for folder in (_shipped_folder(), settings_folder() / _SHEETS):
        for path in sorted(folder.glob("*")):
            if path.suffix in _SUFFIXES:
                paths.setdefault(path.stem, []).append(path)
    return paths


def _shipped_folder() -> Path:
    return Path(str(files("meterlink_procedures"))) / _SHEETS


def _load_sheet(path: Path) -> Sheet:
    file = read_file(path, "an accuracy sheet")
    sheet, problems = _examine_sheet(file)
    errors = [each for each in problems if each.severity is Severity.ERROR]
    if errors or sheet is None:
        raise ProcedureError(file.path, errors)
    return sheet


def _examine_sheet(file: SourceText) -> tuple[Sheet | None, Sequence[Problem]]:
    examined = examine_sheet(file.text, file.path)
    sheet, source, stem = examined.sheet, examined.source, Path(file.path).stem
    if sheet is None or source is None or sheet.name == stem:
        return sheet, examined.problems
    message = f"sheet {sheet.name!r} lies in a file of the name {stem!r}, by which it is found"
    place = source.value_place(("sheet",))
    return sheet, sorted((*examined.problems, Problem(*place, message, Severity.WARNING)))


# Instruments


def all_instruments() -> Shelf:
    """Read every registered instrument; a file that is broken harms no other."""
    instruments: list[Registered] = []
    troubles: list[str] = []
    for path in _instrument_paths():
        try:
            instruments.append(_load_instrument(path))
        except MeterlinkError as error:
            troubles.append(str(error))
    return Shelf(tuple(instruments), tuple(troubles))


def instrument_names() -> list[str]:
    """List the names of all registered instruments, without reading any."""
    return [path.stem for path in _instrument_paths()]


def load_instrument(name: str) -> Registered:
    """Load a registered instrument by its name. Its sheet is not looked at.

    Raises:
        UsageError: no instrument of this name; the known ones are listed.
        FileError: the file cannot be read.
        ProcedureError: it is read, but not sound; names every error in it.
    """
    known = {path.stem: path for path in _instrument_paths()}
    if name in known:
        return _load_instrument(known[name])
    listed = f"known: {', '.join(known)}" if known else "none is registered yet"
    raise UsageError(f"unknown instrument {name!r}; {listed}; add one with: steadypoint register NAME --sheet SHEET")


def recognise(identity: str) -> Registered | None:
    """Find the instrument that has a device identity; None where none has it.

    Raises:
        UsageError: two instruments claim it.
        FileError: a file that names it is broken, so that the device is no stranger.
    """
    claiming: list[Registered] = []
    for path in _instrument_paths():
        try:
            registered = _load_instrument(path)
        except FileError:
            if _names(path, identity):
                raise
            continue
        if identity in registered.identities:
            claiming.append(registered)
    if len(claiming) > 1:
        names = " and ".join(each.name for each in claiming)
        folder = settings_folder() / _INSTRUMENTS
        raise UsageError(f"{identity} is claimed by {names}; take it out of all files but one in {folder}")
    return claiming[0] if claiming else None


def save_instrument(folder: Path, registered: Registered) -> Path:
    """Write an instrument's file in the place of an earlier one. A crash leaves the old one or the new one.

    Args:
        folder: the home folder.
        registered: what reading the file shall give again.

    Returns:
        Where the file lies.

    Raises:
        UsageError: a text that no file can hold, or a name that differs from another only in upper and lower case.
        FileError: it cannot be written.
    """
    path = folder / _INSTRUMENTS / f"{registered.name}.yaml"
    text = instrument_text(registered)
    examined = examine_instrument(text, str(path))
    if examined.instrument != registered:
        errors = [each.message for each in examined.problems if each.severity is Severity.ERROR]
        why = errors[0] if errors else "a text begins or ends with white space"
        raise UsageError(f"instrument {registered.name!r} cannot be kept: {why}")
    try:
        path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        for other in path.parent.glob("*.yaml"):
            if other.name.casefold() == path.name.casefold() and other.name != path.name:
                raise UsageError(f"instrument {other.stem!r} is registered, and some disks cannot tell it from this")
        replace_text(path, text)
    except OSError as error:
        raise FileError(str(path), f"cannot be written: {error.strerror}") from error
    return path


def instrument_problems(file: SourceText) -> Sequence[Problem]:
    """Return every problem of an instrument's file, in its own terms, against its name and its sheet."""
    registered, problems, source = _examine_instrument(file)
    if registered is None or source is None:
        return problems
    try:
        load_sheet(registered.sheet)
    except MeterlinkError as error:
        first, _, _ = str(error).partition("\n")  # a sheet's own check tells the rest
        return sorted((*problems, Problem(*source.value_place(("sheet",)), first)))
    return problems


def _instrument_paths() -> list[Path]:
    folder = settings_folder() / _INSTRUMENTS
    return [path for path in sorted(folder.glob("*")) if path.suffix in _SUFFIXES]


def _load_instrument(path: Path) -> Registered:
    if path.suffix != ".yaml":
        raise FileError(str(path), f"is not read under this name; rename it to {path.stem}.yaml")
    file = read_file(path, "an instrument of the register")
    registered, problems, _ = _examine_instrument(file)
    errors = [each for each in problems if each.severity is Severity.ERROR]
    if errors or registered is None:
        raise ProcedureError(file.path, errors)
    return registered


def _examine_instrument(file: SourceText) -> tuple[Registered | None, Sequence[Problem], Source | None]:
    examined = examine_instrument(file.text, file.path)
    registered, source, stem = examined.instrument, examined.source, Path(file.path).stem
    if registered is None or source is None or registered.name == stem:
        return registered, examined.problems, source
    message = f"instrument {registered.name!r} lies in a file of the name {stem!r}"
    return registered, sorted((*examined.problems, Problem(*source.value_place(("instrument",)), message))), source


def _names(path: Path, identity: str) -> bool:
    with suppress(OSError):
        return identity.encode() in path.read_bytes()
    return False
