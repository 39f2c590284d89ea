"""Which wire format a stream of bytes is: every candidate decodes it side by side, and the bytes decide. Pure.

A format is accepted after three valid frames in a row that agree on the function, with nothing refused between them.
So an answer is right or, where several formats explain the same bytes, one of these; it is never the likeliest.

The port is opened for eight bits without parity. Characters of seven bits and a parity bit look like eight bits there;
how many ones each byte has tells which parity it is, and the candidates then get a second view without it.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

from meterlink.driver import Decoder, Format, Notice
from meterlink.reading import NS_PER_S, Function, Instant, Reading, State
from meterlink.seven_bit import SevenBits

FRAMES_WANTED = 3
_SAMPLE = 24
_FEW = 8
"""Bytes from which on a parity is believed."""
_NEARLY_ALL = 0.95
_ENOUGH_JUNK = 120
"""Bytes that no candidate makes anything of, after which a speed is given up; the longest frame has 17."""
_SOME_JUNK = 20
"""The same, where a second has passed and the line is quiet."""
_SHORTEST_FRAME = 6
_SHORT_BURSTS = 3
_GAP_NS = 150_000_000
"""Silence that no frame has inside."""
_HELD = 4096
"""Bytes kept for a second view; a parity shows in the first few."""
_ANYTHING = 0.1
_FALLBACK = frozenset({"text-line"})
"""Formats that explain what others explain better: they count only where no other is accepted."""
_ONLY_ASKED = frozenset({"scpi-line"})
"""Formats whose bare numbers say nothing by themselves: they count only as answers to a question."""
SAME_SPEED = 0.03
"""The share by which two speeds may differ and still receive each other."""


class Parity(StrEnum):
    """What is in bit 7 of the bytes as an eight-bit port hands them over."""

    NONE = "N"
    """Eight bits, or seven with the parity already taken off."""
    ODD = "O"
    EVEN = "E"
    SET = "M"
    """Always 1: seven bits and two stop bits."""

    @property
    def words(self) -> str:
        """The line in the words of a meter's manual."""
        return {"N": "8N1", "O": "7O1", "E": "7E1", "M": "7N2"}[self.value]


def parity_of(data: bytes) -> Parity:
    """Work out by counting ones which parity is left in the bytes; a label on the meter may be wrong, bytes are not."""
    if len(data) < _FEW or sum(byte >= 0x80 for byte in data) < 2:
        return Parity.NONE
    odd = sum(byte.bit_count() % 2 for byte in data) / len(data)
    if sum(byte >= 0x80 for byte in data) >= _NEARLY_ALL * len(data):
        return Parity.SET
    if odd >= _NEARLY_ALL:
        return Parity.ODD
    return Parity.EVEN if odd <= 1 - _NEARLY_ALL else Parity.NONE


@dataclass(frozen=True, slots=True)
class Heard:
    """What one candidate made of the bytes."""

    format: str
    parity: Parity
    """The view in which it decoded them."""
    frames: int
    """Valid frames in all."""
    explained: int
    """Bytes in those frames."""
    function: str
    """The last frame's function, or what kind of notice it was."""
    shown: str
    """The last frame's display with unit."""
    accepted: bool
    """Whether the last three frames stand in a row and agree."""


@dataclass(frozen=True, slots=True)
class Hearing:
    """What was heard at one setting of the line."""

    received: int
    parity: Parity
    sample: bytes
    """The first bytes, for people."""
    text: bool
    """Whether the bytes are lines of text."""
    heard: tuple[Heard, ...]
    """Every candidate that decoded anything, in order of names."""

    @property
    def accepted(self) -> tuple[Heard, ...]:
        """The formats that explain the bytes; the text fallback only where it stands alone."""
        accepted = tuple(each for each in self.heard if each.accepted)
        return tuple(each for each in accepted if each.format not in _FALLBACK) or accepted


class Listener:
    """Feeds what comes at one setting of the line to every candidate."""

    def __init__(self, formats: Iterable[Format]) -> None:
        """Prepare.

        Args:
            formats: the candidates; see `takes_part` for which are worth it.
        """
        self._formats = sorted(formats, key=lambda wire: wire.name)
        self._ears = [_Ear(wire, Parity.NONE) for wire in self._formats]
        self._stripped = Parity.NONE
        self._bytes = bytearray()
        self._received = 0
        self._first_ns = self._last_ns = 0
        self._burst = self._short_bursts = 0

    def feed(self, data: bytes, at: Instant) -> None:
        """Take the next bytes."""
        self._note_burst(len(data), at.monotonic_ns)
        self._received += len(data)
        self._bytes += data[: _HELD - len(self._bytes)]
        for ear in self._ears:
            ear.feed(data, at)
        parity = parity_of(bytes(self._bytes))
        if parity not in (Parity.NONE, self._stripped):
            self._stripped = parity
            again = [_Ear(wire, parity) for wire in self._formats]
            for ear in again:
                ear.feed(bytes(self._bytes), at)
            self._ears = [ear for ear in self._ears if ear.parity is Parity.NONE] + again

    @property
    def received(self) -> int:
        """Bytes that came so far."""
        return self._received

    @property
    def on_its_way(self) -> bool:
        """Whether any candidate has decoded anything."""
        return any(ear.frames for ear in self._ears)

    @property
    def hearing(self) -> Hearing:
        """What was heard so far."""
        parity = parity_of(bytes(self._bytes))
        heard = [ear.heard for ear in self._ears if ear.frames and ear.parity in (Parity.NONE, parity)]
        best = {each.format: each for each in heard if not each.accepted}
        best |= {each.format: each for each in reversed(heard) if each.accepted}  # as heard goes before stripped
        sample = bytes(self._bytes[:_SAMPLE])
        return Hearing(
            self._received,
            parity,
            sample,
            _is_text(bytes(self._bytes), parity),
            tuple(best[name] for name in sorted(best)),
        )

    @property
    def decided(self) -> bool:
        """Whether more of the same would change nothing: something is accepted and no other candidate is on its way."""
        accepted = {ear.name for ear in self._ears if ear.accepted}
        others = {ear.name for ear in self._ears if ear.run and not ear.accepted} - accepted
        return bool(accepted) and not (others - _FALLBACK if accepted - _FALLBACK else others)

    def hopeless(self, now: Instant) -> bool:
        """Whether this speed can be given up: enough came for any frame, and no candidate makes anything of it.

        At a speed far too low, a frame shrinks to a few bytes: bursts shorter than any frame say so too.
        """
        if self.on_its_way or not self._received:
            return False
        quiet_ns = now.monotonic_ns - self._last_ns
        lasted_ns = now.monotonic_ns - self._first_ns
        short = self._short_bursts + (self._burst < _SHORTEST_FRAME and quiet_ns > _GAP_NS)
        enough = self._received >= _ENOUGH_JUNK or (
            self._received >= _SOME_JUNK and lasted_ns > NS_PER_S and quiet_ns > _GAP_NS
        )
        data = bytes(self._bytes)
        return (enough or short >= _SHORT_BURSTS) and not _is_text(data, parity_of(data))

    def _note_burst(self, size: int, at_ns: int) -> None:
        if not self._received:
            self._first_ns = at_ns
        elif at_ns - self._last_ns > _GAP_NS:
            self._short_bursts = self._short_bursts + 1 if self._burst < _SHORTEST_FRAME else 0
            self._burst = 0
        self._burst += size
        self._last_ns = at_ns


class _Ear:
    """One candidate's decoder and the run of frames it is in."""

    def __init__(self, wire: Format, parity: Parity) -> None:
        self.name = wire.name
        self.parity = parity
        self.frames = self.run = 0
        self._explained = 0
        self._function = self._shown = ""
        self._skipped = 0
        self._decoder = listening_decoder(wire)
        self._strip = None if parity is Parity.NONE else SevenBits(parity.value)

    def feed(self, data: bytes, at: Instant) -> None:
        # Byte by byte: whether something was refused before, between or after two frames shows only so.
        for byte in data if self._strip is None else self._strip.feed(data):
            items = self._decoder.feed(bytes([byte]), at)
            if self._decoder.skipped != self._skipped:
                self._skipped = self._decoder.skipped
                self.run = 0
            for item in items:
                self._take(item)

    def _take(self, item: Reading | Notice) -> None:
        if isinstance(item, Notice) and item.kind == "request":
            return  # another's question, or the echo of our own: no word of the meter
        function = item.function.value if isinstance(item, Reading) else item.kind
        self.run = self.run + 1 if function == self._function else 1
        self._function, self._shown = function, describe(item)
        self.frames += 1
        self._explained += len(item.raw)

    @property
    def accepted(self) -> bool:
        return self.run >= FRAMES_WANTED

    @property
    def heard(self) -> Heard:
        return Heard(
            self.name, self.parity, self.frames, self._explained, self._function, self._shown, accepted=self.accepted
        )


def listening_decoder(wire: Format) -> Decoder:
    """Make a decoder that only listens."""
    return wire.decoder({"poll": "off"} if "poll" in wire.options else {})


def describe(item: Reading | Notice) -> str:
    """Write a frame's content for people."""
    if isinstance(item, Notice):
        return f"{item.kind} {item.display} {item.text}".replace("  ", " ").strip()
    number = "blank" if item.state is State.BLANK else item.display
    prefix = f"e{item.scale}" if item.scale and item.state is State.VALUE else ""
    words = "" if item.function is Function.NUMBER else item.function.value
    return " ".join(filter(None, (f"{number}{prefix}", item.unit, words)))


def takes_part(wire: Format) -> bool:
    """Whether bytes can speak for a format by themselves.

    A format without structure reads any bytes at all (two bytes a number): only the Bluetooth characteristic it comes
    from can speak for it. So it is tried on bytes that mean nothing: who finds readings in them has no say.
    """
    if wire.name in _ONLY_ASKED:
        return False
    decoder = listening_decoder(wire)
    noise, state = bytearray(), 1
    for _ in range(512):
        state = (state * 1_103_515_245 + 12_345) % 2**31  # the C standard's example of a generator: always the same
        noise.append(state >> 16 & 0xFF)
    explained = sum(len(item.raw) for item in decoder.feed(bytes(noise), Instant(0, 0)))
    return explained < _ANYTHING * len(noise)


def with_look_alikes(hearing: Hearing, formats: Mapping[str, Format]) -> tuple[Heard, ...]:
    """Return the accepted formats and those that are known to look like them.

    A look-alike stays possible even where it refused some of the frames: its tables may be incomplete.
    """
    heard = {each.format: each for each in hearing.heard}
    found = {each.format: each for each in hearing.accepted}
    for each in hearing.accepted:
        for name in formats[each.format].look_alikes:
            if name in formats and name not in found:
                found[name] = heard.get(name) or Heard(name, each.parity, 0, 0, "", "", accepted=False)
    return tuple(found[name] for name in sorted(found))


def separated_by_speed(
    accepted: Sequence[Heard], formats: Mapping[str, Format], baud: int
) -> tuple[list[Heard], list[str]]:
    """Leave out formats that run at another speed than was heard, where one of the same bytes runs at this one.

    To be asked only where the line's speed is known to count.

    Returns:
        What stays, and a sentence on each that went.
    """
    fitting = [each for each in accepted if same_speed(formats[each.format].line.baud, baud)]
    if not fitting:
        return list(accepted), []
    gone = [
        f"{each.format} would explain the same bytes, but it runs at {formats[each.format].line.baud} bit/s"
        for each in accepted
        if each not in fitting
    ]
    return fitting, gone


def same_speed(one: int, other: int) -> bool:
    """Whether a port at one speed receives what is sent at the other: 19230 and 19200 are the same."""
    return abs(one - other) <= SAME_SPEED * other


def what_is_wrong(hearing: Hearing) -> str:
    """Say what can be said about bytes that no format explains."""
    near = [each for each in hearing.heard if not each.accepted]
    sample = hearing.sample.hex(" ")
    if hearing.parity is not Parity.NONE:
        line = f"every byte fits {hearing.parity.words}, so the speed is right, but no known format has such frames"
    elif near:
        best = max(near, key=lambda each: each.explained)
        line = f"{best.frames} frames of {best.format} are in it, but never three in a row that agree: a bad contact?"
    elif hearing.text:
        line = "these are lines of text, but none is a number with a unit: say what it is with a profile"
    else:
        line = "this is what a wrong speed or parity looks like, or a format that is not known here"
    return f"{hearing.received} bytes, none decoded; {line} (they begin {sample})"


def _is_text(data: bytes, parity: Parity) -> bool:
    plain = data if parity is Parity.NONE else bytes(byte & 0x7F for byte in data)
    if not plain or not {0x0A, 0x0D} & set(plain):
        return False
    printable = sum(byte in (9, 10, 13) or 0x20 <= byte < 0x7F for byte in plain)
    return printable >= _NEARLY_ALL * len(plain)
