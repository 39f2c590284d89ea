"""Meters that have to be asked: bytes in, bytes out, with what the display shows at that moment."""

from collections.abc import Callable
from typing import Protocol

from meterlink.reading import Function, Reading
from meterlink_sim.encoders import ascii_polled_14, modbus_rtu, scpi_line
from meterlink_sim.encoders.parts import look_up
from meterlink_sim.scpi_instrument import ScpiInstrument

_LONGEST_LINE = 256
_SCPI_FUNCTIONS = {
    Function.DC_VOLTAGE: "VOLT",
    Function.AC_VOLTAGE: "VOLT:AC",
    Function.DC_CURRENT: "CURR",
    Function.AC_CURRENT: "CURR:AC",
    Function.RESISTANCE: "RES",
    Function.FREQUENCY: "FREQ",
    Function.CAPACITANCE: "CAP",
    Function.TEMPERATURE: "TEMP",
    Function.CONTINUITY: "CONT",
    Function.DIODE: "DIOD",
}


class Responder(Protocol):
    """The answering side of a polled format."""

    def hear(self, data: bytes, shown: Reading) -> bytes:
        """Take bytes as they come and return the answer, or nothing."""


class Prompted:
    """Answers any byte with the record of what is shown, once for what comes together."""

    def __init__(self, encode: Callable[[Reading], bytes] = ascii_polled_14.encode) -> None:
        self._encode = encode

    def hear(self, data: bytes, shown: Reading) -> bytes:
        """Return one record."""
        return self._encode(shown) if data else b""


class Scpi:
    """Answers SCPI lines through a simulated instrument, on whose terminals lies what is shown."""

    def __init__(self) -> None:
        self.instrument = ScpiInstrument()
        self._begun = b""

    def hear(self, data: bytes, shown: Reading) -> bytes:
        """Answer the lines that are complete. Raises `ValueError` for a function that the instrument lacks."""
        self.instrument.function = look_up(_SCPI_FUNCTIONS, shown.function, "the SCPI instrument", "the function")
        self.instrument.value = scpi_line.number_sent(shown)
        *lines, begun = (self._begun + data).split(b"\n")
        self._begun = begun[-_LONGEST_LINE:]
        answers = [self.instrument.answer(line.decode("ascii", "replace")) for line in lines]
        return b"".join(f"{answer}\r\n".encode("ascii") for answer in answers if answer is not None)


class Modbus:
    """Answers reads of a register pair that holds what is shown as a float, by function 03 and 04."""

    def __init__(self, first: int = 0, order: str = "ABCD", unit: int = 1) -> None:
        self._first = first
        self._order = order
        self._unit = unit
        self._begun = b""

    def hear(self, data: bytes, shown: Reading) -> bytes:
        """Answer each whole request; after a damaged one it waits for the next that is sound."""
        places = dict(enumerate(modbus_rtu.registers(shown, self._order), start=self._first))
        slave = modbus_rtu.ModbusSlave(self._unit, places, places)
        self._begun += data
        answers = b""
        while len(self._begun) >= modbus_rtu.REQUEST_LENGTH:
            request = self._begun[: modbus_rtu.REQUEST_LENGTH]
            sound = modbus_rtu.closed(request[:-2]) == request
            answers += slave.answer(request) if sound else b""
            self._begun = self._begun[modbus_rtu.REQUEST_LENGTH if sound else 1 :]
        return answers
