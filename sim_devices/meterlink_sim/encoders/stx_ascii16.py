"""The 16-character record that begins with STX: unit, polarity, point, eight digits, CR (9600 baud, 8N1).

As printed in several published meter manuals. How overload is written is not, nor is any annunciator.
"""

from meterlink.reading import FAHRENHEIT, Function, Reading
from meterlink_sim.encoders.parts import check, look_up, number

_FORM = "the 16-character STX record"
_PLACES = 8
_MOST_DECIMALS = 3

_UNITS = {
    (Function.DC_VOLTAGE, "V", 0): "34",
    (Function.DC_VOLTAGE, "V", -3): "18",
    (Function.AC_VOLTAGE, "V", 0): "50",
    (Function.AC_VOLTAGE, "V", -3): "49",
    (Function.DC_CURRENT, "A", 0): "36",
    (Function.DC_CURRENT, "A", -3): "37",
    (Function.DC_CURRENT, "A", -6): "35",
    (Function.AC_CURRENT, "A", 0): "52",
    (Function.AC_CURRENT, "A", -3): "53",
    (Function.AC_CURRENT, "A", -6): "51",
    (Function.RESISTANCE, "Ohm", 0): "38",
    (Function.RESISTANCE, "Ohm", 3): "39",
    (Function.RESISTANCE, "Ohm", 6): "40",
    (Function.FREQUENCY, "Hz", 0): "31",
    (Function.FREQUENCY, "Hz", 3): "33",
    (Function.FREQUENCY, "Hz", 6): "67",
    (Function.DIODE, "V", 0): "46",
    (Function.CAPACITANCE, "F", -6): "44",
    (Function.CAPACITANCE, "F", -9): "43",
    (Function.CAPACITANCE, "F", -12): "A4",
    (Function.TEMPERATURE, "Cel", 0): "01",
    (Function.TEMPERATURE, FAHRENHEIT, 0): "02",
}
_POINTS = {decimals: f"{decimals}" for decimals in range(_MOST_DECIMALS + 1)}


def encode(reading: Reading, display: int = 1) -> bytes:
    """Write a number as one record; leading zeros shown cannot be told from those that fill the record.

    Args:
        reading: what is shown.
        display: which of the meter's displays, 1 or 2.

    Raises:
        ValueError: there is no code for function, unit and prefix, a flag is lit, or it is no number of eight digits
            with three decimals at most.
    """
    check(reading, _FORM)
    unit = look_up(_UNITS, (reading.function, reading.unit, reading.scale), _FORM, "the unit")
    shown = number(reading, _FORM, _PLACES)
    point = look_up(_POINTS, shown.decimals, _FORM, "a point with decimals behind it:")
    return f"\x024{display}{unit}{shown.sign}{point}{shown.digits:0>{_PLACES}}\r".encode()
