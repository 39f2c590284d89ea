"""Which profile each device was said to have, kept in `meters.json` of the home folder.

The key is the device's stable identity, so a meter is known again under another port name. The file is replaced whole:
a crash leaves the old one or the new one. What a newer version added to an entry is kept.
"""

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

from filelock import FileLock, Timeout

from meterlink.errors import FileError
from meterlink.file_change import replace_text

_NAME = "meters.json"
_VERSION = 1
_WAIT_S = 5.0
_ANEW = "put it right, or move it away and say again what each meter is: steadypoint identify METER"


@dataclass(frozen=True, slots=True)
class KnownMeter:
    """What is remembered of one device."""

    profile: str
    how: str
    """`identified`, or `stated` by the user."""
    said: str
    """When, as ISO 8601 in UTC."""
    tag: str = ""
    """The user's own name for it."""
    line: Mapping[str, str] = field(default_factory=dict)
    """What was heard of its line that differs from the profile, as options of a METER address: `baud`, `parity`, ..."""


def known_meters(folder: Path) -> dict[str, KnownMeter]:
    """Return all remembered devices: identity to what is known.

    Raises:
        FileError: the file cannot be read, or is damaged.
    """
    path = folder / _NAME
    return {identity: _meter(path, identity, entry) for identity, entry in _entries(path).items()}


def remember(folder: Path, identity: str, meter: KnownMeter) -> None:
    """Keep what is known of a device, instead of what was known before.

    Raises:
        FileError: the file is damaged, or cannot be written.
    """
    path = folder / _NAME
    try:
        with FileLock(folder / f"{_NAME}.lock", timeout=_WAIT_S):
            entries = dict(_entries(path))
            kept = entries.get(identity)
            kept = kept if isinstance(kept, dict) else {}
            entries[identity] = kept | {
                "profile": meter.profile,
                "how": meter.how,
                "said": meter.said,
                "tag": meter.tag or kept.get("tag", ""),
                "line": dict(meter.line),
            }
            text = json.dumps({"version": _VERSION, "meters": entries}, indent=2, ensure_ascii=False, sort_keys=True)
            replace_text(path, f"{text}\n")
    except Timeout as error:
        raise FileError(str(path), "is being written by another program; try again") from error
    except OSError as error:
        raise FileError(str(path), f"cannot be written: {error.strerror}") from error


def utc_now() -> str:
    """The wall clock as it is kept."""
    return datetime.now(UTC).isoformat(timespec="seconds")


def _entries(path: Path) -> Mapping[str, object]:
    try:
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError:
        return {}
    except OSError as error:
        raise FileError(str(path), f"cannot be read: {error.strerror}") from error
    except UnicodeDecodeError as error:
        raise FileError(str(path), f"is damaged: no UTF-8 text; {_ANEW}") from error
    try:
        content = json.loads(text)
    except json.JSONDecodeError as error:
        raise FileError(str(path), f"is damaged: {error.msg}; {_ANEW}", error.lineno, error.colno) from error
    except RecursionError as error:
        raise FileError(str(path), f"is damaged: nested too deep; {_ANEW}") from error
    meters = content.get("meters") if isinstance(content, dict) else None
    if not isinstance(meters, dict):
        raise FileError(str(path), f"is damaged: expected an object with 'version' and 'meters'; {_ANEW}")
    if content.get("version") != _VERSION:
        found = content.get("version")
        raise FileError(str(path), f"has version {found!r}; this Steadypoint reads version {_VERSION}; {_ANEW}")
    return meters


def _meter(path: Path, identity: str, entry: object) -> KnownMeter:
    fields = entry if isinstance(entry, dict) else {}
    texts = [fields.get(name, "") for name in ("profile", "how", "said", "tag")]
    line = fields.get("line", {})
    if not fields.get("profile") or not all(isinstance(text, str) for text in texts):
        raise FileError(str(path), f"is damaged: the entry of {identity!r} names no profile; {_ANEW}")
    if not isinstance(line, dict) or not all(isinstance(value, str) for value in line.values()):
        raise FileError(str(path), f"is damaged: the line of {identity!r} is no set of options; {_ANEW}")
    profile, how, said, tag = texts
    return KnownMeter(profile, how, said, tag, line)
