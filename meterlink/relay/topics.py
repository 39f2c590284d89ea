"""The topics between crews and the office. Pure.

- `steadypoint/1/crew/DEVICE/log/JOB`: crew to office, QoS 1, ordered: packs of a job's log.
- `steadypoint/1/crew/DEVICE/live/JOB`: crew to office, QoS 0, never retained: SenML at display rate, for watching.
- `steadypoint/1/crew/DEVICE/status`: crew to office, retained, and the last will.
- `steadypoint/1/office/DEVICE/ack/JOB`: office to crew, QoS 1: how far the office has a job durably.
- `steadypoint/1/office/DEVICE/note`: office to crew, QoS 1: a note to the technician.
"""

import re
from dataclasses import dataclass

from meterlink.access.names import OFFICE, is_name

_CREW, _OFFICE = "steadypoint/1/crew", "steadypoint/1/office"
_JOB = re.compile(r"[0-9a-z-]{1,40}")
SHARE = "office"
"""The shared subscription's group where the credentials name none."""

EVERY_LIVE = f"{_CREW}/+/live/+"
EVERY_STATUS = f"{_CREW}/+/status"


@dataclass(frozen=True, slots=True)
class FromCrew:
    """Where a message of a crew belongs."""

    device: str
    about: str
    """`log`, `live` or `status`."""
    job: str
    """Empty for a status."""


def is_device(name: str) -> bool:
    """Tell whether a device may be called so."""
    return is_name(name) and name != OFFICE


def every_log(share: str) -> str:
    """Return what the office's processes subscribe to together; each log message reaches one of them."""
    return f"$share/{share}/{_CREW}/+/log/+"


def log(device: str, job: str) -> str:
    """Return the topic of a job's log."""
    return f"{_CREW}/{device}/log/{job}"


def live(device: str, job: str) -> str:
    """Return the topic of what a job's meter shows."""
    return f"{_CREW}/{device}/live/{job}"


def status(device: str) -> str:
    """Return the topic of a crew's status."""
    return f"{_CREW}/{device}/status"


def ack(device: str, job: str) -> str:
    """Return the topic of a job's acknowledgements; job `+` for all of the device's."""
    return f"{_OFFICE}/{device}/ack/{job}"


def note(device: str) -> str:
    """Return the topic of notes to a crew."""
    return f"{_OFFICE}/{device}/note"


def from_crew(topic: str) -> FromCrew | None:
    """Read the topic of a crew's message; None where it is none."""
    match topic.split("/"):
        case ["steadypoint", "1", "crew", device, ("log" | "live") as about, job] if _JOB.fullmatch(job):
            return FromCrew(device, about, job) if is_device(device) else None
        case ["steadypoint", "1", "crew", device, "status"]:
            return FromCrew(device, "status", "") if is_device(device) else None
    return None


def acknowledged_job(topic: str) -> str:
    """Return the job of an acknowledgement's topic."""
    return topic.rpartition("/")[2]
