"""The interface that meters plug into: wire formats, transports, and the METER address that names both.

A **format** makes decoders. A decoder does no I/O and reads no clock: bytes in, readings out. A **transport** moves
bytes and knows nothing of formats. Both are found by entry point, so a package of anyone's can add one:

    [project.entry-points."meterlink.formats"]
    my-format = "my_package:FORMAT"          # a `Format`; the entry point's name is the format's name

    [project.entry-points."meterlink.transports"]
    my-scheme = "my_package:TRANSPORT"       # a `Transport`; the name is the scheme of the METER address
"""

from collections.abc import Callable, Mapping, Sequence
from contextlib import AbstractAsyncContextManager
from dataclasses import dataclass, field
from typing import Protocol, runtime_checkable

from meterlink.errors import UsageError
from meterlink.outcome import Input
from meterlink.reading import Instant, Reading


@dataclass(frozen=True, slots=True)
class ErrorEntry:
    """An error that the instrument itself reports, such as an entry of a SCPI error queue."""

    code: str
    """The code as sent, sign kept: `-113`."""
    text: str
    at: Instant
    raw: bytes


class Decoder(Protocol):
    """Turns one stream's bytes into readings. One decoder serves one unbroken stream; after a break make a new one.

    A decoder whose instrument tells who it is may keep that text in an attribute `identity: str | None`.
    """

    @property
    def skipped(self) -> int:
        """Bytes thrown away so far because they belonged to no valid frame."""

    def feed(self, data: bytes, at: Instant) -> Sequence[Reading | ErrorEntry]:
        """Take the next bytes, in any split, and return what they complete.

        Args:
            data: the bytes as they came; frame borders need not fall on its ends.
            at: when they came; every reading completed by them carries it.

        Returns:
            What was decoded, in order. A damaged frame gives nothing, ever; decoding goes on at the next good one.
        """

    def poll(self, at: Instant) -> bytes:
        """Return the bytes to send now, or `b""`.

        Asked after every feed and several times a second. A streaming format always returns `b""`; a query/response
        format returns its next query once the last one is answered or overdue.
        """


@dataclass(frozen=True, slots=True)
class LineSettings:
    """How the serial line is set for a format. Values as pyserial takes them."""

    baud: int = 9600
    bytesize: int = 8
    parity: str = "N"
    stopbits: float = 1
    dtr: bool = True
    """Level of the DTR line after opening; an opto-isolated cable is often fed from it."""
    rts: bool = False


@dataclass(frozen=True, slots=True)
class Format:
    """A wire format."""

    name: str
    """Named by the chip's part number or the open standard."""
    summary: str
    source: str
    """Where the layout comes from, and how sure that is."""
    decoder: Callable[[Mapping[str, str]], Decoder]
    """Makes a decoder from the options of the METER address that belong to the format.

    Raises `UsageError` for a value that it cannot take.
    """
    line: LineSettings = LineSettings()
    options: Mapping[str, str] = field(default_factory=dict)
    """The format's own options: name to one line of help.

    One named `poll` takes `on` and `off`; `decode` sets it to `off`, since a file answers no query.
    """


@dataclass(frozen=True, slots=True)
class MeterUrl:
    """A METER address, `SCHEME:ADDRESS?OPTION=VALUE&...`; the options stand behind the last question mark."""

    scheme: str
    address: str
    options: Mapping[str, str]


@dataclass(frozen=True, slots=True)
class Chunk:
    """Bytes as they arrived."""

    data: bytes
    at: Instant


class Connection(Protocol):
    """An open link that moves bytes."""

    async def read(self) -> Chunk | None:
        """Wait for the next bytes. None: the stream has come to its regular end.

        Raises:
            LinkError: the link broke.
        """

    async def write(self, data: bytes) -> None:
        """Send bytes.

        Raises:
            LinkError: the link broke, or cannot send.
        """

    def hear(self, announcement: Mapping[str, object]) -> None:
        """Take note of what the check announces. Only a simulated technician listens; others do nothing."""


@runtime_checkable
class AnswersInputs(Protocol):
    """What a `Connection` may do besides: the technician answers on it too, as the simulated one does.

    The link calls `take_inputs` after decoding each chunk and before it decodes the next. An answer between two updates
    comes with an empty chunk of its own, so that both keep their order.
    """

    def take_inputs(self) -> list[Input]:
        """Return the answers given since the last call, oldest first, none later than the last chunk."""


Clock = Callable[[], Instant]


@dataclass(frozen=True, slots=True)
class Transport:
    """A way to reach a meter."""

    scheme: str
    summary: str
    open: Callable[[MeterUrl, LineSettings, Clock], AbstractAsyncContextManager[Connection]]
    """Opens the link. Arguments: the address, the line settings of its format, the clock that stamps chunks.

    The address carries only the options that the transport declares.

    Entering it raises `LinkError` with what is wrong (absent, busy, no permission) and what to do.
    """
    options: Mapping[str, str] = field(default_factory=dict)
    """The transport's own options: name to one line of help."""
    default_format: str | None = None
    """The format taken when the address names none."""


def parse_meter_url(text: str) -> MeterUrl:
    """Split a METER address.

    Raises:
        UsageError: no scheme, no address, or an option that is not `name=value` or comes twice.
    """
    scheme, colon, rest = text.partition(":")
    if not colon or not scheme or not rest:
        raise UsageError(f"meter address {text!r}: expected SCHEME:ADDRESS, such as serial:/dev/ttyUSB0?format=NAME")
    address, mark, query = rest.rpartition("?")
    if not mark:
        address, query = rest, ""
    options: dict[str, str] = {}
    for part in filter(None, query.split("&")):
        name, equals, value = part.partition("=")
        if not equals or not name or not value:
            raise UsageError(f"meter address {text!r}: option {part!r} is not name=value")
        if name in options:
            raise UsageError(f"meter address {text!r}: option {name!r} is given twice")
        options[name] = value
    return MeterUrl(scheme.lower(), address, options)
