"""The interface that meters plug into: wire formats, transports, and the METER address that names both.

A **format** makes decoders. A decoder does no I/O and reads no clock: bytes in, readings out. A **transport** moves
bytes and knows nothing of formats. Both are found by entry point, so a package of anyone's can add one:

    [project.entry-points."meterlink.formats"]
    my-format = "my_package:FORMAT"          # a `Format`; the entry point's name is the format's name

    [project.entry-points."meterlink.transports"]
    my-scheme = "my_package:TRANSPORT"       # a `Transport`; the name is the scheme of the METER address
"""

from collections.abc import Awaitable, Callable, Mapping, Sequence
from contextlib import AbstractAsyncContextManager
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Protocol, runtime_checkable

from meterlink.errors import UsageError
from meterlink.outcome import Input
from meterlink.reading import Instant, Reading


@dataclass(frozen=True, slots=True)
class Notice:
    """What a meter says that is no reading: an error it reports, its battery's level, traffic on its bus.

    It is kept and shown; no verdict ever rests on it.
    """

    kind: str
    """`error`, `battery`, `request`, `response` or `exception`."""
    display: str
    """Its number or numbers as sent, sign kept: `-113`, `87`; empty where it has none."""
    text: str
    """What it says, for people."""
    at: Instant
    raw: bytes
    unit: str = ""
    """SenML unit of the number, where it has one."""


class Decoder(Protocol):
    """Turns one stream's bytes into readings. One decoder serves one unbroken stream; after a break make a new one.

    A decoder whose instrument tells who it is may keep that text in an attribute `identity: str | None`.
    """

    @property
    def skipped(self) -> int:
        """Bytes thrown away so far because they belonged to no valid frame."""

    def feed(self, data: bytes, at: Instant) -> Sequence[Reading | Notice]:
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
class GattPlace:
    """Where a Bluetooth LE peripheral offers a format's bytes. UUIDs in full, lower case."""

    service: str
    notify: str
    """The characteristic whose notifications (or indications) carry the bytes."""
    write: str | None = None
    """The characteristic that takes queries; None where nothing is asked."""


@dataclass(frozen=True, slots=True)
class LineSettings:
    """How a link is set for a format: the serial line, values as pyserial takes them, and the place over Bluetooth."""

    baud: int = 9600
    bytesize: int = 8
    parity: str = "N"
    stopbits: float = 1
    dtr: bool = True
    """Level of the DTR line after opening; an opto-isolated cable is often fed from it."""
    rts: bool = False
    gatt: GattPlace | None = None
    """Where a Bluetooth LE meter offers this format; None where the format is not known to come that way."""


class Confidence(StrEnum):
    """How well a format's layout is founded."""

    HIGH = "high"
    """Two independent descriptions agree, or a published capture decodes with it."""
    MEDIUM = "medium"
    """The layout is known, some of its tables are from memory."""
    LOW = "low"
    """From memory: to be verified with a capture."""


@dataclass(frozen=True, slots=True)
class Format:
    """A wire format."""

    name: str
    """Named by the chip's part number or the open standard."""
    summary: str
    source: str
    """Where the layout comes from."""
    decoder: Callable[[Mapping[str, str]], Decoder]
    """Makes a decoder from the options of the METER address that belong to the format.

    Raises `UsageError` for a value that it cannot take.
    """
    confidence: Confidence = Confidence.HIGH
    line: LineSettings = LineSettings()
    polled: bool = False
    """Whether the meter has to be asked: listening alone hears nothing."""
    look_alikes: tuple[str, ...] = ()
    """Names of formats whose frames cannot be told from this one's by their bytes; the user has to say which it is."""
    options: Mapping[str, str] = field(default_factory=dict)
    """The format's own options: name to one line of help.

    One named `poll` takes `on` and `off`; `decode` sets it to `off`, since a file answers no query. One named
    `from-start` takes `yes` and `no`; `decode` sets it to `yes`, since a file starts where it starts.
    """

    description: str | None = None
    """The text of the file that describes it; None for a format in code."""

    @property
    def experimental(self) -> bool:
        """Whether its tables are not sourced; said wherever it is listed and when a check begins with it."""
        return self.confidence is Confidence.LOW


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
    """An open link that moves bytes.

    One whose line can be set may keep how it is set, for people, in an attribute `settings: str`.
    """

    async def read(self) -> Chunk | None:
        """Wait for the next bytes. None: the stream has come to its regular end.

        Raises:
            LinkError: the link broke.
        """

    async def write(self, data: bytes) -> None:
        """Send bytes.

        Raises:
            LinkError: the link broke.
            UsageError: this link can never send.
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
class Device:
    """Something a transport found that may be a meter, or a port that may lead to one."""

    identity: str
    """Stays the same when the device is plugged in elsewhere or the program starts anew: `usb:0403:6001:A5XK3RJT`."""
    address: str
    """Its METER address as it is now, without options: `serial:/dev/ttyUSB0`."""
    name: str = ""
    """What it calls itself, as text without control characters; empty where it says nothing."""
    formats: tuple[str, ...] = ()
    """Names of the wire formats that what it announces suggests; a suggestion, never a proof."""
    trouble: str = ""
    """Why it could not be opened just now, such as who holds it; empty where nothing is in the way."""


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
    find: Callable[[], Awaitable[Sequence[Device]]] | None = None
    """Lists what can be reached now, without opening anything that another program may be using; None: cannot look.

    It may take some seconds (a radio scan). Raises `LinkError` where looking is impossible, saying why.
    """
    reopen_after_s: float | None = None
    """After so many seconds of silence the link is taken for dead, whatever it says, and opened again."""
    identity: Callable[[str], Awaitable[str]] | None = None
    """Gives the stable identity of the device at an address (the text between scheme and options).

    Without it, and for what has no better one, that is `SCHEME:ADDRESS`. Raises `LinkError` when it is not there now.
    """


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
