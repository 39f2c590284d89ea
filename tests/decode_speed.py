"""Frames a second of every wire format, beside a general-purpose declarative parser on the same bytes, in one run.

    python tests/decode_speed.py [SECONDS]

The frames are those of tests/data/frames.json. Ours takes them as a stream, finds them, checks them and makes readings;
`construct` is handed each frame whole and only takes it apart, so its side is the easier one. SECONDS is how long each
side of each row is timed.
"""

import json
import sys
import time
from collections.abc import Callable, Mapping
from pathlib import Path

import click
from construct import (
    Array,
    BitsInteger,
    BitsSwapped,
    BitStruct,
    Byte,
    Bytes,
    ByteSwapped,
    Const,
    Construct,
    Flag,
    GreedyBytes,
    Int8ul,
    Int16sl,
    Int16ul,
    Nibble,
    NullTerminated,
    ProcessXor,
    Struct,
)

from meterlink.described.files import shipped_descriptions
from meterlink.driver import Decoder, Format
from meterlink.reading import Instant
from meterlink.registry import load_format

FRAMES = Path(__file__).parent / "data" / "frames.json"
ROUND_S = 0.3
UPDATE_NS = 100_000_000
_FROM_A_FILE = {"poll": "off", "from-start": "yes"}
"""Options that `steadypoint decode` sets where a format has them."""

_LINE = NullTerminated(GreedyBytes, term=b"\n", require=False)
_FOUR_BITS = BitStruct("high" / Nibble, "bits" / Array(4, Flag))


def _lcd(length: int) -> Construct:
    return Array(length, BitStruct("index" / Nibble, "segments" / Array(4, Flag)))


def _es(digits: int, options: int) -> Construct:
    return Struct(
        "range" / Bytes(1),
        "digits" / Bytes(digits),
        "function" / Bytes(1),
        "status" / _FOUR_BITS,
        "options" / Array(options, _FOUR_BITS),
        Const(b"\r\n"),
    )


LAYOUTS: Mapping[str, Construct] = {
    "fs9721-lcd14": _lcd(14),
    "dtm0660-lcd15": _lcd(15),
    "fs9922-ascii14": Struct(
        "sign" / Bytes(1),
        "digits" / Bytes(4),
        Const(b" "),
        "point" / Bytes(1),
        "symbols" / Array(4, BitStruct("bits" / Array(8, Flag))),
        "bar" / Byte,
        Const(b"\r\n"),
    ),
    "es51922-ascii14": _es(5, 4),
    "es519xx-2400-11": _es(4, 2),
    "es51986-19200-11": _es(4, 2),
    "ascii-polled-14": Struct(
        "function" / Bytes(2), "sign" / Bytes(1), "value" / Bytes(6), "unit" / Bytes(4), "end" / Bytes(1)
    ),
    "ble-count6": Struct(
        "head"
        / ByteSwapped(
            BitStruct(
                "fixed" / BitsInteger(6),
                "function" / BitsInteger(4),
                "prefix" / BitsInteger(3),
                "decimals" / BitsInteger(3),
            )
        ),
        "symbols" / ByteSwapped(BitStruct("bits" / Array(16, Flag))),
        "number" / ByteSwapped(BitStruct("minus" / Flag, "magnitude" / BitsInteger(15))),
    ),
    "ble-lcd11-xor": ProcessXor(
        bytes.fromhex("41 21 73 55 A2 C1 32 71 66 AA 3B"),
        Struct("head" / Bytes(3), "bits" / BitsSwapped(BitStruct("lamps" / Array(64, Flag)))),
    ),
    "stx-ascii16": Struct(
        Const(b"\x024"),
        "display" / Bytes(1),
        "unit" / Bytes(2),
        "polarity" / Bytes(1),
        "point" / Bytes(1),
        "digits" / Bytes(8),
        Const(b"\r"),
    ),
    "scpi-line": _LINE,
    "text-line": _LINE,
    "modbus-rtu": Struct("address" / Byte, "function" / Byte, "rest" / GreedyBytes),
    "gatt-voltage-2b18": Int16ul,
    "gatt-current-2aee": Int16ul,
    "gatt-temperature-2a6e": Int16sl,
    "gatt-battery-2a19": Int8ul,
    "sfloat16": ByteSwapped(
        BitStruct("exponent" / BitsInteger(4, signed=True), "mantissa" / BitsInteger(12, signed=True))
    ),
}
"""The same frames as `construct` describes them."""


def frames_of(name: str) -> list[bytes]:
    """The frames of a format that the vectors give."""
    entries = json.loads(FRAMES.read_text(encoding="utf-8"))
    return [bytes.fromhex(entry["hex"]) for entry in entries if entry["format"] == name]


def names() -> list[str]:
    """The formats that the vectors name, and their described twins."""
    entries = json.loads(FRAMES.read_text(encoding="utf-8"))
    coded = sorted({entry["format"] for entry in entries})
    return [*coded, *(f"described:{name}" for name in sorted(shipped_descriptions()))]


def ours(wire: Format, frames: list[bytes]) -> Callable[[], None]:
    """One pass of our decoder over the frames, each fed as it would arrive."""
    decoder: Decoder = wire.decoder({name: value for name, value in _FROM_A_FILE.items() if name in wire.options})
    now = 0

    def once() -> None:
        nonlocal now
        decoded = 0
        for frame in frames:
            now += UPDATE_NS
            decoded += len(decoder.feed(frame, Instant(now, now)))
        if not decoded:
            raise SystemExit(f"{wire.name}: nothing was decoded")

    return once


def theirs(layout: Construct, frames: list[bytes]) -> Callable[[], None]:
    """One pass of construct over the frames."""

    def once() -> None:
        for frame in frames:
            layout.parse(frame)

    return once


def passes_a_second(once: Callable[[], None], seconds: float) -> float:
    """Run one side for a while."""
    once()
    began, passes = time.perf_counter(), 0
    while (spent := time.perf_counter() - began) < seconds or not passes:
        once()
        passes += 1
    return passes / spent


def main(seconds: float) -> None:
    """Time every format and print one row each."""
    click.echo(f"{'format':<28}{'frames/s':>12}{'construct':>12}{'ratio':>8}")
    for name in names():
        coded = name.removeprefix("described:")
        frames = frames_of(coded)
        our_rate = passes_a_second(ours(load_format(name), frames), seconds) * len(frames)
        their_rate = passes_a_second(theirs(LAYOUTS[coded], frames), seconds) * len(frames)
        click.echo(f"{name:<28}{our_rate:>12,.0f}{their_rate:>12,.0f}{our_rate / their_rate:>8.2f}")


if __name__ == "__main__":
    main(float(sys.argv[1]) if len(sys.argv) > 1 else ROUND_S)
