"""Sheets, meters and displays for the tests of judging. All meters are invented."""

from collections.abc import Sequence
from decimal import Decimal

from meterlink.instrument import Climate, Instrument, Range, Sheet
from meterlink.judging.budget import Shown
from meterlink.judging.judge import Judge
from meterlink.judging.rules import Decision, Rule
from meterlink.judging.uncertainty import Component, Shape, rectangular
from meterlink.limits import parse_limits
from meterlink.reading import NS_PER_S, Function, Instant, Reading

ZERO = Decimal(0)
TEN_MOHM = Decimal("1e7")


def row(
    full: str,
    resolution: str,
    percent: str,
    counts: str,
    *,
    impedance: Decimal | None = None,
    climate: Climate = Climate(),  # noqa: B008 - frozen
) -> Range:
    """A range with ±(percent of reading + counts)."""
    share = Decimal(percent) / 100
    return Range(Decimal(full), Decimal(resolution), share, Decimal(counts), impedance, climate=climate)


def sheet(*rows: Range, function: Function = Function.DC_VOLTAGE, name: str = "sample") -> Sheet:
    """A sheet of one function, its ranges smallest first."""
    return Sheet(name, "", {function: rows})


COMMON = sheet(
    row("0.6", "0.0001", "0.5", "2", impedance=TEN_MOHM),
    row("6", "0.001", "0.5", "2", impedance=TEN_MOHM),
    row("60", "0.01", "0.5", "2", impedance=TEN_MOHM),
    row("600", "0.1", "0.5", "2", impedance=TEN_MOHM),
)
"""6000 counts, ±(0.5 % + 2): at 24 V a hand-held meter's usual statement (common practice, no source)."""


def meter(
    known: Sheet = COMMON, *, name: str | None = "DMM-1", celsius: str | None = None, at_s: int = 0
) -> Instrument:
    """The meter in hand, stated at that second of the job."""
    warm = None if celsius is None else Decimal(celsius)
    return Instrument(known, Instant(at_s * NS_PER_S, 0), name, celsius=warm)


def shown(
    value: str | Decimal,
    resolution: str | Decimal | None = None,
    *,
    deviation: str | Decimal = "0",
    readings: int = 5,
    at_s: float = 0,
    function: Function = Function.DC_VOLTAGE,
) -> Shown:
    """What a display showed; its resolution is that of the digits unless told."""
    number = Decimal(value)
    exponent = number.as_tuple().exponent
    assert isinstance(exponent, int)
    step = Decimal(1).scaleb(exponent) if resolution is None else Decimal(resolution)
    at = Instant(round(at_s * NS_PER_S), 0)
    return Shown(number, function.unit, function, step, Decimal(deviation), readings, at)


def display(*texts: str, scale: int = 0, function: Function = Function.DC_VOLTAGE) -> list[Reading]:
    """Updates of a display, two a second."""
    return [
        Reading(text, function.unit, function, Instant(index * NS_PER_S // 2, 0), scale)
        for index, text in enumerate(texts)
    ]


def judge(
    limits: str,
    rule: Rule | Decision = Rule.SIMPLE,
    instrument: Instrument | None = None,
    source_ohms: str | None = None,
) -> Judge:
    """The judge of a step with limits of its own."""
    decision = rule if isinstance(rule, Decision) else Decision(rule)
    source = None if source_ohms is None else Decimal(source_ohms)
    return Judge(parse_limits(limits), decision, instrument or meter(), source_ohms=source)


def parts(
    rectangles: Sequence[object] = (), normal: object = 0, students: Sequence[tuple[object, int]] = ()
) -> list[Component]:
    """Errors by their sizes: half widths, a standard deviation, and scales of Student's t with degrees of freedom."""
    made = [rectangular("rectangle", Decimal(str(half))) for half in rectangles]
    if normal:
        made.append(Component("normal", Decimal(str(normal)), Shape.NORMAL))
    for scale, dof in students:
        made.append(Component("student", Decimal(str(scale)), Shape.STUDENT, dof=dof))
    return made
