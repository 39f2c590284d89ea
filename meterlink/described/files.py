"""Where descriptions of wire formats lie. Quick to import: nothing is read."""

from importlib.resources import files
from pathlib import Path

SUFFIXES = (".yaml", ".yml")


def shipped_descriptions() -> dict[str, Path]:
    """The descriptions that come with Steadypoint, twins of coded formats: name to file."""
    return in_folder(Path(str(files("meterlink_drivers"))) / "described")


def in_folder(folder: Path) -> dict[str, Path]:
    """The descriptions in a folder: a file's name, less its suffix, to the file. Without the folder there are none."""
    return {path.stem: path for suffix in SUFFIXES for path in sorted(folder.glob(f"*{suffix}"))}
