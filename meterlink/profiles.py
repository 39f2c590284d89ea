"""Finds and reads meter profiles: those that come with Steadypoint, the user's own, and any file by its path."""

from collections.abc import Sequence
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path

from meterlink.errors import FileError, MeterlinkError, UsageError
from meterlink.home import settings_folder
from meterlink.procedure.load import SourceText, read_text
from meterlink.procedure.problem import Problem, ProcedureError
from meterlink.profile import Profile, examine_profile, fit
from meterlink.registry import load_format

_SUFFIXES = (".yaml", ".yml")


@dataclass(frozen=True, slots=True)
class Shelf:
    """All profiles that can be read, and one line on each that cannot."""

    profiles: tuple[Profile, ...]
    troubles: tuple[str, ...]


def load_profile(name: str) -> Profile:
    """Load a profile by name, or from a file where the name is a path or ends in .yaml.

    Raises:
        UsageError: no profile of this name; the known ones are listed.
        FileError: the file is not there or cannot be read.
        ProcedureError: it is read, but not sound; names every error in it.
    """
    if name.endswith(_SUFFIXES) or "/" in name or "\\" in name:
        path = Path(name)
        if not path.is_file():
            raise FileError(name, "no such file; expected a meter profile")
        return _load(path)
    shipped = _shipped()
    if name in shipped:
        return _load(shipped[name])
    own = _own()
    if name in own:
        return _load(own[name])
    raise UsageError(f"unknown profile {name!r}; known: {', '.join(sorted({*shipped, *own}))}")


def all_profiles() -> Shelf:
    """Read every profile, a shipped one before one of the same name; one that is broken harms no other."""
    profiles: list[Profile] = []
    troubles: list[str] = []
    for path in {**_own(), **_shipped()}.values():
        try:
            profiles.append(_load(path))
        except MeterlinkError as error:
            troubles.append(str(error))
    return Shelf(tuple(profiles), tuple(troubles))


def profile_problems(file: SourceText) -> Sequence[Problem]:
    """Return every problem of a profile's file, in its own terms and against its format and its name."""
    _, problems = _examine(file)
    return problems


def _load(path: Path) -> Profile:
    file = read_text(path)
    profile, problems = _examine(file)
    if problems or profile is None:
        raise ProcedureError(file.path, problems)
    return profile


def _examine(file: SourceText) -> tuple[Profile | None, Sequence[Problem]]:
    examined = examine_profile(file.text, file.path)
    profile, source = examined.profile, examined.source
    if profile is None or source is None:
        return None, examined.problems
    try:
        problems = list(fit(examined, load_format(profile.format)))
    except MeterlinkError as error:
        return profile, [Problem(*source.value_place(("format",)), str(error))]
    stem = Path(file.path).stem
    if profile.profile != stem:
        place = source.value_place(("profile",))
        problems.append(Problem(*place, f"profile {profile.profile!r} lies in a file of the name {stem!r}"))
    return profile, problems


def _shipped() -> dict[str, Path]:
    return _in_folder(Path(str(files("meterlink_drivers"))) / "profiles")


def _own() -> dict[str, Path]:
    return _in_folder(settings_folder() / "profiles")


def _in_folder(folder: Path) -> dict[str, Path]:
    return {path.stem: path for path in sorted(folder.glob("*")) if path.suffix in _SUFFIXES}
