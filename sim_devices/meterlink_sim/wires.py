"""Which formats the simulated meters speak, each with its line and a display that it can show."""

from collections.abc import Callable
from dataclasses import dataclass

from meterlink.driver import LineSettings
from meterlink.errors import UsageError
from meterlink.reading import Flag, Function, Instant, Reading
from meterlink_sim.encoders import (
    ascii_polled_14,
    ble_count6,
    ble_lcd11_xor,
    dtm0660_lcd15,
    es519xx_ascii11,
    es51922_ascii14,
    fs9721_lcd14,
    fs9922_ascii14,
    gatt,
    modbus_rtu,
    scpi_line,
    sfloat16,
    stx_ascii16,
    text_line,
)
from meterlink_sim.responders import Modbus, Prompted, Responder, Scpi

START = Instant(0, 0)
"""The time of a simulated display where no time is meant."""


@dataclass(frozen=True, slots=True)
class Wire:
    """How a meter puts its display on the line."""

    name: str
    """The format's name."""
    encode: Callable[[Reading], bytes]
    line: LineSettings
    """The line that the meter itself uses, and the levels of DTR and RTS that its cable or instrument wants."""
    sample: Reading
    """A display of the width and kind that the format can show."""
    twice: bool = False
    """Whether each block is sent twice, back to back."""
    responder: Callable[[], Responder] | None = None
    """Makes the answering side of a meter that has to be asked; None: it streams."""


def _shows(display: str, function: Function = Function.DC_VOLTAGE, *flags: Flag) -> Reading:
    return Reading(display, function.unit, function, START, 0, frozenset(flags))


_AUTO = Flag.AUTO_RANGE
_SLOW_8N1 = LineSettings(2400)
_FAST_7O1 = LineSettings(19230, 7, "O")

WIRES = {
    wire.name: wire
    for wire in (
        Wire("fs9721-lcd14", fs9721_lcd14.encode, _SLOW_8N1, _shows("24.06", Function.DC_VOLTAGE, _AUTO)),
        Wire("fs9922-ascii14", fs9922_ascii14.encode, _SLOW_8N1, _shows("24.06", Function.DC_VOLTAGE, _AUTO)),
        Wire("dtm0660-lcd15", dtm0660_lcd15.encode, _SLOW_8N1, _shows("24.06", Function.DC_VOLTAGE, _AUTO)),
        Wire("es51922-ascii14", es51922_ascii14.encode, _FAST_7O1, _shows("20.612", Function.DC_VOLTAGE, _AUTO)),
        Wire(
            "es519xx-2400-11",
            es519xx_ascii11.encode_4000,
            LineSettings(2400, 7, "O"),
            _shows("24.06", Function.DC_VOLTAGE, _AUTO),
            twice=True,
        ),
        Wire(
            "es51986-19200-11",
            es519xx_ascii11.encode_6000,
            _FAST_7O1,
            _shows("24.06", Function.DC_VOLTAGE, _AUTO),
            twice=True,
        ),
        Wire(
            "ascii-polled-14",
            ascii_polled_14.encode,
            LineSettings(1200, 7, "N", 2),
            _shows("24.06"),
            responder=Prompted,
        ),
        Wire("stx-ascii16", stx_ascii16.encode, LineSettings(9600), _shows("24.06")),
        Wire("text-line", text_line.encode, LineSettings(9600), _shows("24.06")),
        Wire("scpi-line", scpi_line.encode, LineSettings(9600, rts=True), _shows("24.06"), responder=Scpi),
        Wire("modbus-rtu", modbus_rtu.encode, LineSettings(9600, 8, "E"), _shows("24.0625"), responder=Modbus),
        Wire("ble-count6", ble_count6.encode, LineSettings(), _shows("24.06", Function.DC_VOLTAGE, _AUTO)),
        Wire("ble-lcd11-xor", ble_lcd11_xor.encode, LineSettings(), _shows("24.06", Function.DC_VOLTAGE, _AUTO)),
        Wire("gatt-voltage-2b18", gatt.encode_voltage, LineSettings(), _shows("24.0625", Function.VOLTAGE)),
        Wire("gatt-current-2aee", gatt.encode_current, LineSettings(), _shows("3.25", Function.CURRENT)),
        Wire("gatt-temperature-2a6e", gatt.encode_temperature, LineSettings(), _shows("23.45", Function.TEMPERATURE)),
        Wire("sfloat16", sfloat16.encode, LineSettings(), _shows("24.3", Function.NUMBER)),
    )
}


def find_wire(name: str) -> Wire:
    """Find a format by name.

    Raises:
        UsageError: the simulated meters do not speak it.
    """
    if name not in WIRES:
        raise UsageError(f"format {name!r}: no simulated meter speaks it; expected one of {', '.join(sorted(WIRES))}")
    return WIRES[name]
