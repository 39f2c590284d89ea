"""The 14-character text of polled meters: function, sign, value, unit, CR (1200 baud, 7N2; older ones 600).

Layout: a mailing-list post of 2007-01-18 and a published sample page; the rarer function codes from memory. Free are
the spelling of ohm, `OH` or blanks for resistance, and CR or LF at the end. No annunciator is sent.
"""

from meterlink.reading import Function, Reading, State
from meterlink_sim.encoders.parts import check, look_up, number, refusal

_FORM = "the polled 14-character record"
_VALUE_WIDTH = 6

_FUNCTIONS = {
    Function.DC_VOLTAGE: "DC",
    Function.AC_VOLTAGE: "AC",
    Function.DC_CURRENT: "DC",
    Function.AC_CURRENT: "AC",
    Function.RESISTANCE: "OH",
    Function.DIODE: "DI",
    Function.TEMPERATURE: "TE",
    Function.FREQUENCY: "FR",
    Function.CAPACITANCE: "CA",
}
_UNITS = {
    ("V", 0): "V",
    ("V", -3): "mV",
    ("A", 0): "A",
    ("A", -3): "mA",
    ("A", -6): "uA",
    ("Ohm", 0): "Ohm",
    ("Ohm", 3): "kOhm",
    ("Ohm", 6): "MOhm",
    ("Hz", 0): "Hz",
    ("Hz", 3): "kHz",
    ("F", -9): "nF",
    ("F", -6): "uF",
    ("Cel", 0): "C",
}


def encode(reading: Reading) -> bytes:
    """Write what a display shows as one record.

    Raises:
        ValueError: there is no code for the function or unit, a flag is lit, the display is blank, or the value takes
            more than six characters.
    """
    check(reading, _FORM)
    function = look_up(_FUNCTIONS, reading.function, _FORM, "the function")
    unit = look_up(_UNITS, (reading.unit, reading.scale), _FORM, "the unit")
    if reading.state is State.OVERLOAD:
        value = "O.L"
    else:
        number(reading, _FORM, _VALUE_WIDTH)
        value = reading.display.removeprefix("-")
    if len(value) > _VALUE_WIDTH:
        raise refusal(_FORM, f"{value!r}: it takes {_VALUE_WIDTH} characters")
    sign = "-" if reading.display.startswith("-") else " "
    return f"{function}{sign}{value:>{_VALUE_WIDTH}}{unit:>4}\r".encode()
