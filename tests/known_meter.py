"""A meter whose accuracy is known, for tests that judge by it."""

from meterlink.engine import Engine
from meterlink.instrument import Instrument
from meterlink.instruments.shelf import cautious_sheet, load_sheet
from meterlink.procedure.model import Procedure
from meterlink.reading import Instant


def known_meter(sheet: str = "six-thousand-counts") -> Instrument:
    """The simulated meter's accuracy, by one of the shipped sheets; no calibration is known."""
    return Instrument(load_sheet(sheet), Instant(0, 0), fallback=cautious_sheet())


def engine_for(procedure: Procedure) -> Engine:
    """An engine that knows this meter."""
    engine = Engine(procedure)
    engine.feed(known_meter())
    return engine
