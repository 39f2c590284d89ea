"""How `decode` and `listen` print readings, and how they end when nobody reads on."""

import json
import os
import sys
from collections.abc import Iterator, Mapping
from contextlib import contextmanager

from meterlink.limits import PREFIXES
from meterlink.reading import Flag, Reading, State

_PREFIX_SHOWN = {0: "", **{power: letter for letter, power in PREFIXES.items()}}


def shown(reading: Reading) -> dict[str, object]:
    """Give a reading's fields for JSON; `display` is null where the display shows no number."""
    return {
        "display": reading.display if reading.state is State.VALUE else None,
        "unit": reading.unit,
        "function": reading.function.value,
        "scale": reading.scale,
        "overload": reading.state is State.OVERLOAD,
        "flags": _flags(reading),
    }


def plain_line(reading: Reading) -> str:
    """Write a reading for people: seconds, display with prefix and unit, function, flags."""
    unit = _PREFIX_SHOWN.get(reading.scale, f"x10^{reading.scale} ") + reading.unit
    value = f"{reading.display or '---'} {unit}"
    words = " ".join([reading.function.value, *_flags(reading)])
    return f"{reading.at.seconds:10.3f} s  {value:>16}  {words}"


def put_json(record: Mapping[str, object]) -> None:
    """Print one JSON object as one line."""
    put(json.dumps(record, ensure_ascii=False))


def put(line: str) -> None:
    """Print one line."""
    sys.stdout.write(f"{line}\n")


@contextmanager
def quiet_end() -> Iterator[None]:
    """End without a word when the reader of our output goes away (`| head`)."""
    try:
        yield
        sys.stdout.flush()
    except BrokenPipeError:
        # The interpreter flushes once more at exit; give it somewhere to write.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _flags(reading: Reading) -> list[str]:
    return [flag.value for flag in Flag if flag in reading.flags]
