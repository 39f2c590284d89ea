"""`steadypoint decode`: turn a meter's raw bytes, from a file or a pipe, into readings."""

import sys
from collections.abc import Iterable, Iterator
from functools import partial
from string import hexdigits
from typing import BinaryIO

import click

from meterlink.cli.readings import put_json, quiet_end, shown
from meterlink.driver import Decoder, Format, Notice
from meterlink.errors import FileError, UsageError
from meterlink.reading import Instant, Reading
from meterlink.registry import load_format

_BLOCK = 65_536
_WHOLE_FILE = {"poll": "off", "from-start": "yes"}
"""Options that a file settles: it answers no query, and starts where it starts."""
_NO_TIME = Instant(0, 0)
"""Raw bytes carry no time, and nothing printed here shows one."""


@click.command("decode")
@click.argument("file", type=click.File("rb"), default="-")
@click.option("--format", "format_name", metavar="NAME", required=True, help="The wire format.")
@click.option("--hex", "as_hex", is_flag=True, help="Read hex text, with white space between bytes, not raw bytes.")
@click.option("-o", "--option", "options", metavar="KEY=VALUE", multiple=True, help="An option of the format.")
def command(file: BinaryIO, format_name: str, as_hex: bool, options: tuple[str, ...]) -> None:
    """Turn a meter's raw bytes into readings, one JSON object a line.

    FILE is a capture of the bytes; without it, or for -, standard input is read as it comes.
    """
    wire = load_format(format_name)
    decoder = wire.decoder(_format_options(wire, options))
    blocks: Iterable[bytes] = iter(partial(file.read1, _BLOCK), b"")  # type: ignore[attr-defined]
    if as_hex:
        name = getattr(file, "name", "<stdin>")
        blocks = hex_bytes(blocks, "standard input" if name == "<stdin>" else name)
    with quiet_end():
        readings = sum(_print(decoder, block) for block in blocks)
        click.echo(f"{readings} readings, {decoder.skipped} bytes skipped", err=True)


def _print(decoder: Decoder, block: bytes) -> int:
    """Print what a block completes; return the number of readings."""
    items = decoder.feed(block, _NO_TIME)
    for item in items:
        put_json({**_fields(item), "raw": item.raw.hex(" ").upper()})
    sys.stdout.flush()
    return sum(isinstance(item, Reading) for item in items)


def _fields(item: Reading | Notice) -> dict[str, object]:
    if isinstance(item, Reading):
        return shown(item)
    none = {"scale": 0, "overload": False, "flags": []}
    return {"display": item.display or None, "unit": item.unit, "function": item.kind, **none}


def _format_options(wire: Format, pairs: tuple[str, ...]) -> dict[str, str]:
    options = {}
    for pair in pairs:
        name, equals, value = pair.partition("=")
        if not equals or not value:
            raise UsageError(f"option {pair!r} is not KEY=VALUE")
        if name not in wire.options:
            known = ", ".join(sorted(wire.options)) or "none"
            raise UsageError(f"{wire.name}: unknown option {name!r}; known: {known}")
        options[name] = value
    return {**options, **{name: value for name, value in _WHOLE_FILE.items() if name in wire.options}}


def hex_bytes(blocks: Iterable[bytes], name: str) -> Iterator[bytes]:
    """Turn hex text, in any split, into the bytes it names.

    Raises:
        FileError: a character that is no hex digit, or half a byte; says where.
    """
    line, column, half = 1, 0, ""
    for block in blocks:
        out = bytearray()
        for character in block.decode("latin-1"):
            column += 1
            if character in hexdigits:
                if half:
                    out.append(int(half + character, 16))
                half = "" if half else character
            elif half or not character.isspace():
                yield bytes(out)
                if character.isspace():
                    raise _half_a_byte(name, half, line, column - 1)
                raise FileError(name, f"{character!r} is no hex digit", line, column)
            elif character == "\n":
                line, column = line + 1, 0
        yield bytes(out)
    if half:
        raise _half_a_byte(name, half, line, column)


def _half_a_byte(name: str, digit: str, line: int, column: int) -> FileError:
    return FileError(name, f"{digit!r} is half a byte; expected two hex digits", line, column)
