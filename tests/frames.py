"""Test vectors of the wire formats: bytes, and what the display shows. Each names its source and how sure that is."""

import json
from dataclasses import dataclass
from pathlib import Path

from meterlink.driver import Notice
from meterlink.reading import Instant, Reading, State

NOW = Instant(1_000_000_000, 1_700_000_001_000_000_000)

VOLTS_24 = bytes.fromhex("17 25 3B 42 57 6F 7D 87 9E A0 B0 C0 D4 E0")
"""24.06 V DC, auto range: the first vector of the FS9721 frame."""


@dataclass(frozen=True)
class Vector:
    """One vector."""

    data: bytes
    expected: dict[str, object]
    shown: str


def vectors(name: str) -> list[Vector]:
    """Return the vectors of one format."""
    path = Path(__file__).parent / "data" / "frames.json"
    return [
        Vector(
            bytes.fromhex(entry["hex"]),
            {key: entry[key] for key in _COMPARED} | {"flags": sorted(entry["flags"])},
            entry["shown"],
        )
        for entry in json.loads(path.read_text(encoding="utf-8"))
        if entry["format"] == name
    ]


_COMPARED = ("display", "unit", "function", "scale", "overload", "flags")


def fields(item: Reading | Notice) -> dict[str, object]:
    """Return an item's fields as the vectors write them."""
    if isinstance(item, Notice):
        return dict(zip(_COMPARED, (item.display or None, item.unit, item.kind, 0, False, []), strict=True))
    return {
        "display": item.display if item.state is State.VALUE else None,
        "unit": item.unit,
        "function": item.function.value,
        "scale": item.scale,
        "overload": item.state is State.OVERLOAD,
        "flags": sorted(item.flags),
    }
