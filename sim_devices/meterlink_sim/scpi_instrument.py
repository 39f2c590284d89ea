"""A bench multimeter that speaks SCPI, for tests and demos: error queue, function, readings, special values.

It answers as SCPI-99 and IEEE 488.2 ask: short and long mnemonics in any case, messages joined by `;`, an error queue
that is read first in, first out, -113 for a header it does not know, 9.9E37 for overload and 9.91E37 for no number.
"""

import asyncio
from collections import deque
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager, suppress
from dataclasses import dataclass, field
from decimal import Decimal

OVERLOAD = Decimal("9.9E37")
NOT_A_NUMBER = Decimal("9.91E37")

_QUEUE_LENGTH = 20
_ERRORS = {
    0: "No error",
    -108: "Parameter not allowed",
    -113: "Undefined header",
    -350: "Queue overflow",
}
_LONG_FORMS = {
    "CAPACITANCE": "CAP",
    "CONFIGURE": "CONF",
    "CONTINUITY": "CONT",
    "CURRENT": "CURR",
    "DIODE": "DIOD",
    "ERROR": "ERR",
    "FREQUENCY": "FREQ",
    "FRESISTANCE": "FRES",
    "FUNCTION": "FUNC",
    "LOCAL": "LOC",
    "MEASURE": "MEAS",
    "REMOTE": "REM",
    "RESISTANCE": "RES",
    "SENSE": "SENS",
    "SYSTEM": "SYST",
    "TEMPERATURE": "TEMP",
    "VOLTAGE": "VOLT",
}
_FUNCTIONS = {"VOLT", "VOLT:AC", "CURR", "CURR:AC", "RES", "FRES", "FREQ", "CAP", "TEMP", "CONT", "DIOD"}


@dataclass
class ScpiInstrument:
    """The instrument's panel and inside. Change its fields to turn the dial or to put a voltage on its terminals."""

    value: Decimal = Decimal("24.0612")
    """What the terminals carry; `OVERLOAD`, its negative and `NOT_A_NUMBER` are answered as they are."""
    function: str = "VOLT"
    """The function selected, in SCPI's short form."""
    identity: str = "DEMO,SIMULATED METER,0,0"
    unknown: frozenset[str] = frozenset()
    """Headers, in short form, that this instrument does not know although others do: `FUNC?`."""
    mute: frozenset[str] = frozenset()
    """Headers, in short form, that it takes without an answer."""
    before_read: Callable[[], None] = lambda: None
    """Called before each `READ?`: an operator who turns the dial at the worst moment."""
    heard: list[str] = field(default_factory=list)
    """Every header that came, in short form."""
    _queue: deque[int] = field(default_factory=deque)

    def answer(self, line: str) -> str | None:
        """Carry out one line; return the answers joined by `;`, or None where there is none."""
        answers = [self._carry_out(message.strip()) for message in line.split(";") if message.strip()]
        given = [answer for answer in answers if answer is not None]
        return ";".join(given) if given else None

    def _carry_out(self, message: str) -> str | None:
        header, _, parameter = message.partition(" ")
        short = _short(header)
        self.heard.append(short)
        answer = None if short in self.unknown else self._perform(short)
        if answer is None or parameter.strip():
            self._note_error(-113 if answer is None else -108)
            return None
        return answer if short.endswith("?") and short not in self.mute else None

    def _perform(self, header: str) -> str | None:
        """Carry out a header in short form; return its answer, empty for a command; None where it is not known."""
        match header:
            case "*IDN?":
                return self.identity
            case "*CLS":
                self._queue.clear()
                return ""
            case "SYST:REM" | "SYST:LOC":
                return ""
            case "SYST:ERR?" | "SYST:ERR:NEXT?":
                code = self._queue.popleft() if self._queue else 0
                return f'{code},"{_ERRORS[code]}"'
            case "FUNC?" | "SENS:FUNC?":
                return f'"{self.function}"'
            case "READ?":
                self.before_read()
                return write_nr3(self.value)
        node, _, function = header.partition(":")
        function = function.removesuffix("?").removesuffix(":DC")
        if node in ("CONF", "MEAS") and function in _FUNCTIONS and header.endswith("?") == (node == "MEAS"):
            self.function = function
            return write_nr3(self.value)
        return None

    def _note_error(self, code: int) -> None:
        if len(self._queue) == _QUEUE_LENGTH:
            self._queue[-1] = -350
        else:
            self._queue.append(code)


def write_nr3(value: Decimal) -> str:
    """Write a number as bench instruments do over RS-232: `SD.DDDDDDDDESDD`."""
    mantissa, exponent = f"{value:+.8E}".split("E")
    return f"{mantissa}E{int(exponent):+03d}"


def _short(header: str) -> str:
    query = "?" if header.endswith("?") else ""
    nodes = header.upper().removesuffix("?").removeprefix(":").split(":")
    return ":".join(_LONG_FORMS.get(node, node) for node in nodes) + query


@asynccontextmanager
async def serve_scpi(instrument: ScpiInstrument, host: str = "127.0.0.1", port: int = 0) -> AsyncIterator[int]:
    """Put an instrument on a TCP port; gives the port's number. Its lines end with CR LF, as on RS-232."""

    talks: set[asyncio.Task[None]] = set()

    async def talk(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        async for line in reader:
            answer = instrument.answer(line.decode("ascii", "replace"))
            if answer is not None:
                writer.write(f"{answer}\r\n".encode("ascii"))
                await writer.drain()

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        with suppress(ConnectionError, asyncio.CancelledError):  # the other end, or this server, went away
            await talk(reader, writer)
        writer.close()

    def begin(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.create_task(serve(reader, writer))
        talks.add(task)
        task.add_done_callback(talks.discard)

    async with await asyncio.start_server(begin, host, port) as server:
        yield server.sockets[0].getsockname()[1]
        for task in tuple(talks):
            task.cancel()
        await asyncio.gather(*talks)
