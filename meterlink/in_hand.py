"""The meter in hand: as the user states it, or as the register knows the device, or else a cautious default."""

from dataclasses import dataclass
from datetime import date
from decimal import Decimal

from meterlink.address import identity_of
from meterlink.driver import parse_meter_url
from meterlink.errors import UsageError
from meterlink.instrument import Calibration, Instrument, Sheet
from meterlink.instruments.instrument_file import Registered, calibration_on
from meterlink.instruments.shelf import cautious_sheet, load_instrument, load_sheet, recognise
from meterlink.phrases import meter_stated
from meterlink.procedure.model import Procedure
from meterlink.reading import Instant, plain
from meterlink.registry import load_transport


@dataclass(frozen=True, slots=True)
class Stated:
    """What the user says of the meter."""

    instrument: str | None = None
    """Its name in the register."""
    sheet: str | None = None
    """An accuracy sheet, by name or file."""
    celsius: Decimal | None = None
    """Its temperature, in degrees Celsius."""

    @property
    def options(self) -> list[str]:
        """The same as options of a command."""
        given = {"instrument": self.instrument, "sheet": self.sheet}
        if self.celsius is not None:
            given["temperature"] = f"{plain(self.celsius)} °C"
        return [word for name, value in given.items() if value is not None for word in (f"--{name}", value)]


async def meter_identity(address: str) -> str | None:
    """Return the identity of the device at a METER address; None for a trace.

    Raises:
        LinkError: it is not there now.
    """
    url = parse_meter_url(address)
    return None if url.scheme == "trace" else await identity_of(url, load_transport(url.scheme))


def meter_in_hand(stated: Stated, identity: str | None, today: date) -> Instrument:
    """Say what is known of the meter.

    Args:
        stated: what the user says.
        identity: the device's own identity; None for one that has none.
        today: the day by which its calibration is judged.

    Raises:
        UsageError: no such instrument or sheet, or both are stated.
        FileError: a file of the register or a sheet cannot be used.
    """
    if stated.instrument and stated.sheet:
        raise UsageError("--instrument and --sheet are both given; the register says which sheet an instrument has")
    known = None if identity is None else recognise(identity)
    agrees = known is None or (stated.sheet in (None, known.sheet) and stated.instrument in (None, known.name))
    if known is not None and not agrees:
        said = f"sheet {stated.sheet}" if stated.sheet else f"instrument {stated.instrument}"
        raise UsageError(
            f"{identity} is registered as {known.name} with sheet {known.sheet}, and {said} is stated; leave that out, "
            "or put the register right"
        )
    registered = known or (load_instrument(stated.instrument) if stated.instrument else None)
    fallback = cautious_sheet()
    if registered is not None:
        return _registered(registered, identity, fallback, stated.celsius, today)
    return Instrument(
        sheet=load_sheet(stated.sheet) if stated.sheet else fallback,
        at=Instant(0, 0),
        identity=identity,
        cautious=stated.sheet is None,
        celsius=stated.celsius,
        fallback=fallback,
    )


def require_calibration(procedure: Procedure, instrument: Instrument) -> None:
    """Refuse a meter that the procedure does not allow.

    Raises:
        UsageError: the procedure demands a valid calibration, and this meter has none.
    """
    if procedure.calibration == "required" and instrument.calibration is not Calibration.VALID:
        raise UsageError(
            f"procedure {procedure.procedure} demands a registered meter with a valid calibration. "
            f"{meter_stated(instrument)} See: steadypoint instruments, steadypoint register"
        )


def _registered(
    registered: Registered, identity: str | None, fallback: Sheet, celsius: Decimal | None, today: date
) -> Instrument:
    return Instrument(
        sheet=load_sheet(registered.sheet),
        at=Instant(0, 0),
        name=registered.name,
        identity=identity,
        certificate=registered.certificate,
        calibrated=registered.calibrated.isoformat() if registered.calibrated else None,
        due=registered.due.isoformat() if registered.due else None,
        calibration=calibration_on(registered, today),
        celsius=celsius,
        fallback=fallback,
    )
