"""A number as a SCPI instrument answers it over RS-232: NR3, 9.9E37 for overload, 9.91E37 for no number, CR LF.

SCPI-99 volume 1, section 7.2.1 (INFinity, NINFinity, NAN). The number is in the unit without prefix.
"""

from decimal import Decimal

from meterlink.reading import Reading, State
from meterlink_sim.encoders.parts import check
from meterlink_sim.scpi_instrument import NOT_A_NUMBER, OVERLOAD, write_nr3

_FORM = "a SCPI answer"


def number_sent(reading: Reading) -> Decimal:
    """The number that stands for a display. Raises `ValueError` for a flag, which no answer carries."""
    check(reading, _FORM)
    if reading.state is State.OVERLOAD:
        return -OVERLOAD if reading.display.startswith("-") else OVERLOAD
    return NOT_A_NUMBER if reading.value is None else reading.value


def encode(reading: Reading) -> bytes:
    """Write what a display shows as one answer. Raises `ValueError` for a flag, which no answer carries."""
    return f"{write_nr3(number_sent(reading))}\r\n".encode("ascii")
