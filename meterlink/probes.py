"""Asking a silent meter what it is: first what only answers to its own name, then what any byte may set off.

Nothing asked changes a setting: an identity, a reading, a register.
"""

from dataclasses import replace

from meterlink.driver import Format, LineSettings
from meterlink.identify import Heard, Listener, Parity, listening_decoder
from meterlink.post import Asker, Post
from meterlink.reading import NS_PER_S, Instant

_IDENTITY_WITHIN_S = 1.0
_REGISTER_WITHIN_S = 0.5
_READ_REGISTER = bytes.fromhex("01 03 00 00 00 01 84 0A")
"""Device 1, holding register 0, one register (Modbus Application Protocol V1.1b3, 6.3)."""

Answer = tuple[tuple[Heard, ...], LineSettings]
"""The formats that answered, and the line settings at which they did."""


async def ask(post: Post) -> Answer | None:
    """Ask until something answers; None where nothing does.

    Raises:
        LinkError: the meter cannot be reached, or the link broke.
    """
    for probe in (_ask_identity, _ask_ascii, _ask_register):
        if answer := await probe(post):
            return answer
    return None


class _Introduction:
    """Asks a SCPI instrument twice who it is."""

    def __init__(self, wire: Format) -> None:
        self.answers: list[str] = []
        self._wire = wire
        self._decoder = listening_decoder(wire)
        self._asked = 0

    def poll(self, at: Instant) -> bytes:
        if self._asked == 2 or self._asked > len(self.answers):
            return b""
        self._asked += 1
        return b"*IDN?\n"

    def feed(self, data: bytes, at: Instant) -> None:
        self._decoder.feed(data, at)
        identity: str | None = getattr(self._decoder, "identity", None)
        if identity is not None:
            self.answers.append(identity)
            self._decoder = listening_decoder(self._wire)

    def patience(self, heard: Listener) -> float:
        return _IDENTITY_WITHIN_S * (1 + len(self.answers)) if len(self.answers) < 2 else 0


class _RegisterQuestions:
    """Asks a Modbus device for one register, again and again."""

    def __init__(self) -> None:
        self._asked_ns: int | None = None

    def poll(self, at: Instant) -> bytes:
        pause_ns = int(_REGISTER_WITHIN_S / 2 * NS_PER_S)
        if self._asked_ns is not None and at.monotonic_ns - self._asked_ns < pause_ns:
            return b""
        self._asked_ns = at.monotonic_ns
        return _READ_REGISTER

    def feed(self, data: bytes, at: Instant) -> None:
        """The answers are for the decoder."""


async def _ask_identity(post: Post) -> Answer | None:
    wire = post.formats.get("scpi-line")
    if wire is None:
        return None
    line = replace(wire.line, baud=9600)
    asker = _Introduction(wire)
    setting = f"asking *IDN?{_at(post, line)}"
    hearing = await post.attend(line, setting, Listener(post.by_bytes), asker.patience, asker)
    if hearing.accepted:  # a meter that any byte makes talk
        return hearing.accepted, line
    if len(asker.answers) < 2 or len(set(asker.answers)) > 1:
        return None
    heard = Heard(wire.name, Parity.NONE, 2, hearing.received, "identity", asker.answers[0], accepted=True)
    return (heard,), line


async def _ask_ascii(post: Post) -> Answer | None:
    wire = post.formats.get("ascii-polled-14")
    if wire is None:
        return None
    for baud, within_s in ((1200, 1.0), (600, 2.0)) if post.has_line else ((1200, 1.0),):
        line = replace(wire.line, baud=baud)
        asker = wire.decoder({"timeout": "2"} if baud == 600 and "timeout" in wire.options else {})
        if answer := await _in_turn(post, wire, line, asker, "asking with D", within_s=within_s):
            return answer
    return None


async def _ask_register(post: Post) -> Answer | None:
    wire = post.formats.get("modbus-rtu")
    if wire is None:
        return None
    for baud, parity in ((9600, "N"), (9600, "E"), (19200, "N"), (19200, "E")) if post.has_line else ((9600, "N"),):
        line = replace(wire.line, baud=baud, bytesize=8, parity=parity, stopbits=1)
        what = "asking Modbus device 1 for a register"
        if answer := await _in_turn(post, wire, line, _RegisterQuestions(), what, within_s=_REGISTER_WITHIN_S):
            return answer
    return None


async def _in_turn(
    post: Post, wire: Format, line: LineSettings, asker: Asker, what: str, *, within_s: float
) -> Answer | None:
    """Ask until three answers agree; give up when the first does not come, or the others take too long."""

    def patience(heard: Listener) -> float:
        return 5 * within_s if heard.on_its_way else within_s

    hearing = await post.attend(line, f"{what}{_at(post, line)}", Listener([wire]), patience, asker)
    return (hearing.accepted, line) if hearing.accepted else None


def _at(post: Post, line: LineSettings) -> str:
    return f" at {line.baud} bit/s, {line.bytesize}{line.parity}{line.stopbits:g}" if post.has_line else ""
