"""SCPI over a line: a session that asks an instrument for readings, or a listener to one that talks by itself.

A reply carries no unit, and the operator can turn the dial between two queries. So the session asks `FUNC?` before and
after each `READ?`, and the reply becomes a reading only when both answers agree. One query is out at a time; one
that stays unanswered for too long is given up, the error queue is read empty, and the session goes on. A reply that is
damaged answers its query with nothing: it is asked again.
"""

from collections import deque
from collections.abc import Mapping
from typing import NamedTuple

from meterlink.driver import Decoder, Format, LineSettings, Notice
from meterlink.errors import UsageError
from meterlink.reading import NS_PER_S, Function, Instant, Reading
from meterlink_drivers.formats.scpi_text import Identity, LineSplitter, Number, QueueEntry, Reply, Selected, parse_reply

ANSWER_WITHIN_NS = NS_PER_S
READING_WITHIN_NS = 5 * NS_PER_S
"""A bench instrument that averages over many line cycles takes seconds for one `READ?`."""
_MAX_ENTRIES = 32
"""Entries read from an error queue at one time; an instrument that never says 0 must not stop the readings."""
_MAX_FUNC_MISSES = 2
"""Unanswered `FUNC?` queries, none ever answered, after which the instrument is taken not to know it."""
_UNDEFINED_HEADER = -113


class _Sample(NamedTuple):
    """An answer to `READ?`, not yet sure of its function."""

    display: str
    at: Instant
    raw: bytes

    def reading(self, function: Function) -> Reading:
        return Reading(self.display, function.unit, function, self.at, raw=self.raw)


class ScpiListener:
    """Decodes what an instrument sends, and never asks. A quoted function changes the function of later numbers."""

    def __init__(self, function: Function) -> None:
        self.identity: str | None = None
        """The instrument's answer to `*IDN?`, if one was seen."""
        self._function: Function | None = function
        self._lines = LineSplitter()
        self._refused = 0

    @property
    def skipped(self) -> int:
        """Bytes thrown away so far."""
        return self._refused + self._lines.skipped

    def feed(self, data: bytes, at: Instant) -> list[Reading | Notice]:
        """Take the next bytes; see `meterlink.driver.Decoder`."""
        items = []
        for raw in self._lines.feed(data):
            item = self._take(parse_reply(raw[:-1]), raw, at)
            if item is not None:
                items.append(item)
        return items

    def poll(self, at: Instant) -> bytes:
        """Nothing is ever asked."""
        return b""

    def _take(self, reply: Reply | None, raw: bytes, at: Instant) -> Reading | Notice | None:
        match reply:
            case Number(display) if self._function is not None:
                return _Sample(display, at, raw).reading(self._function)
            case QueueEntry(code, text):
                return Notice("error", code, text, at, raw)
            case Selected(function):
                self._function = function
            case Identity(text):
                self.identity = text
            case _:
                self._refused += len(raw)
        return None


class ScpiSession(ScpiListener):
    """Asks for readings through `poll`.

    An instrument that does not know `FUNC?` (it says so with error -113, or stays silent twice) is taken to measure
    the configured function.
    """

    def __init__(self, function: Function) -> None:
        super().__init__(function)
        self._configured = function
        self._opening = deque(("*IDN?", "SYST:REM", "*CLS"))
        self._asked: str | None = None
        self._asked_at_ns = 0
        self._unanswered: str | None = None
        self._entries_left = 0
        self._func_answered = False
        self._func_misses = 0
        self._func_known = True
        self._read_next = False
        self._sample: _Sample | None = None

    def poll(self, at: Instant) -> bytes:
        """Return the next query once the last one is answered or overdue; see `meterlink.driver.Decoder`."""
        if self._asked is not None:
            within = READING_WITHIN_NS if self._asked == "READ?" else ANSWER_WITHIN_NS
            if at.monotonic_ns - self._asked_at_ns < within:
                return b""
            self._give_up(self._asked)
        message = self._next_message()
        self._asked = message if message.endswith("?") else None
        self._asked_at_ns = at.monotonic_ns
        return f"{message}\n".encode("ascii")

    def _next_message(self) -> str:
        if self._entries_left:
            return "SYST:ERR?"
        if self._opening:
            return self._opening.popleft()
        return "READ?" if self._read_next or not self._func_known else "FUNC?"

    def _give_up(self, query: str) -> None:
        self._lines.drop()
        self._drop_sample()
        self._read_next = False
        if query == "SYST:ERR?":
            self._entries_left = 0
            return
        self._unanswered = query
        self._entries_left = _MAX_ENTRIES
        if query == "FUNC?" and not self._func_answered:
            self._func_misses += 1
            self._func_known = self._func_misses < _MAX_FUNC_MISSES

    def _take(self, reply: Reply | None, raw: bytes, at: Instant) -> Reading | Notice | None:
        match self._asked, reply:
            case "*IDN?", Identity(text):
                self._asked, self.identity = None, text
            case "SYST:ERR?", QueueEntry() as entry:
                self._asked = None
                return self._note_entry(entry, raw, at)
            case "FUNC?", Selected(function):
                self._asked = None
                return self._note_function(function)
            case "READ?", Number(display):
                self._asked = None
                return self._note_sample(_Sample(display, at, raw))
            case "READ?", None:
                self._refused += len(raw)
                self._asked = None
            case _:  # late, damaged or not asked for: whatever is still owed stays owed
                self._refused += len(raw)
        return None

    def _note_entry(self, entry: QueueEntry, raw: bytes, at: Instant) -> Notice | None:
        self._entries_left = 0 if entry.empty else self._entries_left - 1
        if entry.empty:
            return None
        if int(entry.code) == _UNDEFINED_HEADER and self._unanswered == "FUNC?" and not self._func_answered:
            self._func_known = False
        return Notice("error", entry.code, entry.text, at, raw)

    def _note_function(self, function: Function | None) -> Reading | None:
        self._func_answered = self._read_next = True
        before, self._function = self._function, function
        sample = self._sample
        if sample is None or function is None or function != before:
            self._drop_sample()
            return None
        self._sample = None
        return sample.reading(function)

    def _note_sample(self, sample: _Sample) -> Reading | None:
        if not self._func_known:
            return sample.reading(self._configured)
        self._read_next = False
        self._sample = sample
        return None

    def _drop_sample(self) -> None:
        if self._sample is not None:
            self._refused += len(self._sample.raw)
            self._sample = None


def _decoder(options: Mapping[str, str]) -> Decoder:
    name = options.get("function", Function.DC_VOLTAGE.value)
    if name not in {function.value for function in Function}:
        raise UsageError(f"function {name!r}: expected one of {', '.join(Function)}")
    poll = options.get("poll", "on")
    if poll not in ("on", "off"):
        raise UsageError(f"poll {poll!r}: expected on or off")
    return ScpiSession(Function(name)) if poll == "on" else ScpiListener(Function(name))


FORMAT = Format(
    name="scpi-line",
    summary="SCPI instrument over a serial line or TCP, asked for each reading",
    source="SCPI-99 volumes 1 and 2; IEEE 488.2 number forms and *IDN?",
    decoder=_decoder,
    line=LineSettings(baud=9600, rts=True),
    polled=True,
    options={
        "function": f"what a reply without unit means, where FUNC? is not known: {', '.join(Function)}",
        "poll": "on: ask for each reading; off: only listen, to an instrument set to talk by itself",
    },
)
