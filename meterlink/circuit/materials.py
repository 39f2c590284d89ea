"""What parts are made of: copper, lead-acid cells and fuses, with the figures of standards and data sheets. Pure."""

from dataclasses import dataclass
from math import pi

IACS = 0.017241
"""Volume resistivity of annealed copper at 20 °C in Ohm mm²/m (NBS Handbook 100)."""

COPPER_PER_KELVIN = 0.00393
"""Temperature coefficient of copper at 20 °C, in 1/K (NBS Handbook 100)."""

IEC_60228 = {
    "2": {0.5: 36.0, 0.75: 24.5, 1.0: 18.1, 1.5: 12.1, 2.5: 7.41, 4.0: 4.61, 6.0: 3.08},
    "5": {0.5: 39.0, 0.75: 26.0, 1.0: 19.5, 1.5: 13.3, 2.5: 7.98, 4.0: 4.95, 6.0: 3.30},
    "5-coated": {0.5: 40.1, 0.75: 26.7, 1.0: 20.0, 1.5: 13.7, 2.5: 8.21, 4.0: 5.09, 6.0: 3.39},
}
"""Largest DC resistance at 20 °C in Ohm/km by class and cross-section in mm² (IEC 60228, as reproduced by cable
makers). `5-coated`: class 5 of metal-coated wires."""

STRANDED = 1.024
"""By so much 7 strands resist more than one solid conductor of the same AWG (NEC Chapter 9 Table 8: 3.14 to 3.07)."""

_MM2_PER_CIRCULAR_MIL = pi / 4 * 0.0254**2


@dataclass(frozen=True, slots=True)
class Span:
    """A value as far as it is known: nominal, and the ends between which a sound part lies."""

    low: float
    nominal: float
    high: float

    def times(self, factor: float) -> "Span":
        """The same, so many times as large; the factor is not negative."""
        return Span(self.low * factor, self.nominal * factor, self.high * factor)

    def within(self, share: float) -> "Span":
        """The nominal value with a tolerance of that share of it."""
        return Span(self.nominal * (1 - share), self.nominal, self.nominal * (1 + share))


def at_temperature(ohms_20: float, celsius: float) -> float:
    """What copper of a resistance at 20 °C comes to at another temperature."""
    return ohms_20 * (1 + COPPER_PER_KELVIN * (celsius - 20))


def metric_per_km(mm2: float, kind: str = "5") -> float:
    """The largest DC resistance at 20 °C of a conductor of that class, in Ohm/km.

    Raises:
        ValueError: the standard's table has no such cross-section here.
    """
    table = IEC_60228[kind]
    if mm2 not in table:
        raise ValueError(f"{mm2:g} mm2: expected one of {', '.join(f'{each:g}' for each in table)} mm2 (IEC 60228)")
    return table[mm2]


def least_per_km(mm2: float) -> float:
    """What copper of exactly that cross-section has at 20 °C, in Ohm/km: a good conductor reads no less."""
    return 1000 * IACS / mm2


def awg_diameter_mm(awg: int) -> float:
    """The diameter of a solid round conductor (ASTM B258: 0.005 in x 92^((36 - n)/39))."""
    return float(25.4 * 0.005 * 92.0 ** ((36 - awg) / 39))


def awg_circular_mils(awg: int) -> float:
    """The area in circular mils: the diameter in thousandths of an inch, squared."""
    return float((awg_diameter_mm(awg) / 0.0254) ** 2)


def awg_mm2(awg: int) -> float:
    """The cross-section in mm²."""
    return awg_circular_mils(awg) * _MM2_PER_CIRCULAR_MIL


def awg_per_km(awg: int, *, stranded: bool = True) -> float:
    """DC resistance at 20 °C in Ohm/km, from the diameter and IACS copper; NEC Chapter 9 Table 8 agrees at 75 °C."""
    return least_per_km(awg_mm2(awg)) * (STRANDED if stranded else 1.0)


CELL_STATES = {
    "float": Span(2.25, 2.275, 2.30),  # battery makers' manuals, 25 °C
    "charging": Span(2.40, 2.50, 2.60),  # finishing charge, the same
    "full": Span(2.10, 2.125, 2.15),  # open circuit at rest, the same
    "75 %": Span(2.050, 2.075, 2.100),  # open circuit: published tables differ by up to 0.1 V on 6 cells
    "50 %": Span(2.020, 2.040, 2.060),
    "25 %": Span(1.985, 2.010, 2.030),
    "discharged": Span(1.75, 1.75, 1.982),  # 1.75: end of discharge; 1.982: 0 % at rest
}
"""Volts of one lead-acid cell by state, at 25 °C (battery makers' manuals; the table from 75 % down from memory)."""

CELL_PER_KELVIN = Span(-0.005, -0.004, -0.003)
"""What a kelvin above 25 °C adds to a float or charging voltage, in V a cell (battery makers' manuals: -3 to -5 mV)."""


def bank_volts(cells: int, state: str, celsius: float = 25.0) -> Span:
    """Volts of a bank at rest or on its charger.

    Args:
        cells: in series.
        state: one of `CELL_STATES`.
        celsius: the bank's temperature; only a voltage that a charger sets goes with it.
    """
    cell = CELL_STATES[state]
    if state in ("float", "charging"):
        shifts = [
            each * (celsius - 25) for each in (CELL_PER_KELVIN.low, CELL_PER_KELVIN.nominal, CELL_PER_KELVIN.high)
        ]
        cell = Span(cell.low + min(shifts), cell.nominal + shifts[1], cell.high + max(shifts))
    return cell.times(cells)


FUSE_OHMS = {
    1.0: 0.20, 1.25: 0.14, 1.6: 0.10, 2.0: 0.07, 2.5: 0.05, 3.15: 0.037, 4.0: 0.026, 5.0: 0.019, 6.3: 0.013, 8.0: 0.009,
    10.0: 0.007,
}  # fmt: skip
"""Cold resistance in Ohm of a 5x20 mm time-lag ceramic fuse by rated current in A (data sheet)."""

FUSE_SPREAD = 0.3
"""How far a fuse may lie beside that, as a share (data sheet: typical values; common practice, no source)."""


def fuse_ohms(amperes: float) -> Span:
    """The cold resistance of a sound fuse.

    Raises:
        ValueError: no fuse of that rating is in the table.
    """
    if amperes not in FUSE_OHMS:
        known = ", ".join(f"{each:g}" for each in FUSE_OHMS)
        raise ValueError(f"{amperes:g} A: expected one of {known} A, or state the resistance")
    typical = FUSE_OHMS[amperes]
    return Span(typical, typical, typical).within(FUSE_SPREAD)
