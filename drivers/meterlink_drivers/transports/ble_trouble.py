"""What went wrong with Bluetooth, in words: one message for each kind of failure that bleak was seen to raise.

The system's library raises its own errors, but also bare `OSError`, `TimeoutError` and `KeyError`, and errors of the
message bus below it. Each is turned into a `LinkError` that says what to do. `passing` is true where nothing has to be
changed on this computer first: the meter may be off, or the air may be busy.
"""

from bleak.exc import (
    BleakBluetoothNotAvailableError,
    BleakBluetoothNotAvailableReason,
    BleakCharacteristicNotFoundError,
    BleakDBusError,
    BleakDeviceNotFoundError,
    BleakError,
    BleakGATTProtocolError,
    BleakGATTProtocolErrorCode,
)

from meterlink.errors import LinkError

_FREEDESKTOP = "org.freedesktop.DBus.Error."
_BLUEZ = "org.bluez.Error."

OFF = "Bluetooth is off on this computer; switch it on"
ABSENT = "this computer has no Bluetooth adapter; plug one in, or use the cable"
NO_CENTRAL = "the Bluetooth adapter cannot connect to meters (no LE central role); use another adapter, or the cable"
FORBIDDEN = (
    "no permission to use Bluetooth; allow it in the system's privacy settings, "
    "or on Linux have your user added to the group bluetooth, then log in again"
)
NO_SERVICE = "the system's Bluetooth service is not running; start it (on Linux: bluetooth.service), or use the cable"
NO_BUS = "the system's message bus is absent, so Bluetooth cannot be reached; start D-Bus, or use the cable"
DEAD_BUS = "the system's message bus has died, so Bluetooth cannot be reached; restart the computer, or use the cable"
BAD_BUS = (
    "the address of the system's message bus is malformed; "
    "correct or remove the environment variable DBUS_SYSTEM_BUS_ADDRESS"
)
SILENT_SYSTEM = "Bluetooth on this computer does not answer; switch it off and on again, or use the cable"
BUSY = "Bluetooth is busy with another program's scan or connection; close that program, or use the cable"
DISTURBED = "the connection was aborted; keep the meter near, switch off other Bluetooth devices, or use the cable"
NO_DISCOVERY = "the link broke while the meter's services were read; bring the meter nearer"
GONE = "the meter is not heard any more; see that it is on and near, and that its Bluetooth key is lit"
LOST = "the Bluetooth link is lost: the meter ended it, or is off or out of range"
UNPAIRED = "the meter wants to be paired; pair it in the system's Bluetooth settings"
MUTE = (
    "the meter does not let this characteristic notify; check service= and notify=, and that the meter is the right one"
)

_REASONS = {
    BleakBluetoothNotAvailableReason.NO_BLUETOOTH: ABSENT,
    BleakBluetoothNotAvailableReason.NO_BLE_CENTRAL_ROLE: NO_CENTRAL,
    BleakBluetoothNotAvailableReason.POWERED_OFF: OFF,
    BleakBluetoothNotAvailableReason.DENIED_BY_USER: FORBIDDEN,
    BleakBluetoothNotAvailableReason.DENIED_BY_SYSTEM: FORBIDDEN,
    BleakBluetoothNotAvailableReason.DENIED_BY_UNKNOWN: FORBIDDEN,
}
_DBUS_ERRORS = {
    f"{_FREEDESKTOP}AccessDenied": FORBIDDEN,
    f"{_FREEDESKTOP}ServiceUnknown": NO_SERVICE,
    f"{_FREEDESKTOP}NameHasNoOwner": NO_SERVICE,
    f"{_FREEDESKTOP}NoReply": SILENT_SYSTEM,
    f"{_BLUEZ}NotReady": OFF,
    f"{_BLUEZ}NotAuthorized": FORBIDDEN,
    f"{_BLUEZ}NotPermitted": MUTE,
    f"{_BLUEZ}NotSupported": MUTE,
}
_PASSING_DBUS_ERRORS = {
    f"{_FREEDESKTOP}UnknownObject": GONE,
    f"{_FREEDESKTOP}UnknownMethod": GONE,
    f"{_BLUEZ}InProgress": BUSY,
    f"{_BLUEZ}NotConnected": LOST,
    f"{_BLUEZ}Failed": DISTURBED,
}
_PAIRING_CODES = {
    BleakGATTProtocolErrorCode.INSUFFICIENT_AUTHENTICATION,
    BleakGATTProtocolErrorCode.INSUFFICIENT_AUTHORIZATION,
    BleakGATTProtocolErrorCode.INSUFFICIENT_ENCRYPTION,
    BleakGATTProtocolErrorCode.INSUFFICIENT_ENCRYPTION_KEY_SIZE,
}


def trouble(error: Exception, where: str) -> LinkError:
    """Turn whatever Bluetooth raised into what is wrong and what to do.

    Args:
        error: as raised; a `LinkError` is returned as it is.
        where: the METER address, which begins the text.
    """
    if isinstance(error, LinkError):
        return error
    text, passing = _words(error)
    return LinkError(f"{where}: {text}", passing=passing)


def in_progress(error: Exception) -> bool:
    """Whether the system said that it is busy with the same thing for somebody else."""
    return isinstance(error, BleakDBusError) and error.dbus_error == f"{_BLUEZ}InProgress"


def _words(error: Exception) -> tuple[str, bool]:
    """Return the text, and whether trying again may help by itself."""
    match error:
        case BleakBluetoothNotAvailableError():
            return _REASONS.get(error.reason, f"Bluetooth cannot be used ({error.args[0]}); use the cable"), False
        case BleakDBusError():
            return _dbus_words(error)
        case BleakGATTProtocolError():
            return (UNPAIRED if error.code in _PAIRING_CODES else f"the meter refused ({error.args[1]})"), False
        case BleakDeviceNotFoundError():
            return GONE, True
        case BleakCharacteristicNotFoundError():
            return MUTE, False
        case BleakError():
            return _bleak_words(str(error))
        case ConnectionError():
            return DEAD_BUS, False
        case TimeoutError():  # an OSError too
            return SILENT_SYSTEM, True
        case FileNotFoundError():
            return NO_BUS, False
        case PermissionError():
            return FORBIDDEN, False
        case KeyError():
            return (
                f"Bluetooth on this computer does not say its {error.args[0]}; update the system, or use the cable",
                False,
            )
        case ValueError() if type(error).__name__ == "InvalidAddressError":  # the message bus library's own
            return BAD_BUS, False
    return f"Bluetooth failed ({type(error).__name__}: {error}); switch it off and on again, or use the cable", True


def _dbus_words(error: BleakDBusError) -> tuple[str, bool]:
    name = error.dbus_error
    if name in _DBUS_ERRORS:
        return _DBUS_ERRORS[name], False
    words = _PASSING_DBUS_ERRORS.get(name, f"Bluetooth refused ({error}); switch it off and on again")
    details = error.dbus_error_details if name == f"{_BLUEZ}Failed" else None
    return (f"{words} ({details})" if details else words), True


def _bleak_words(text: str) -> tuple[str, bool]:
    if text.startswith("adapter "):
        return f"{text}; leave adapter= out, or name one that there is", False
    if text.startswith("failed to discover services"):
        return NO_DISCOVERY, True
    if text.startswith("device ") and text.endswith(" not found"):
        return GONE, True
    if text in ("Not connected", "Service Discovery has not been performed yet"):
        return LOST, True
    return f"Bluetooth failed ({text}); switch it off and on again, or use the cable", True
