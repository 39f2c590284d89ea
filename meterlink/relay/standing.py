"""What a crew's status says, and what its meter shows, from the newest lines of a log. Pure."""

import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from meterlink.outcome import Json
from meterlink.record.chain import Line
from meterlink.record.measurements import base_of, measured_line
from meterlink.record.store import Job

_LONGEST = 2048
"""Bytes; more is no status."""
_NAMES = ("online", "job", "meter", "battery", "utc_ns", "software")
_READING, _GAP, _END = b"reading", b"gap", b"end"


@dataclass(frozen=True, slots=True)
class Standing:
    """What is known of a crew at the moment."""

    job: str | None = None
    """The job that its log grew by last."""
    meter: str = "unknown"
    """`live`, `low-battery`, the reason of a gap (`link-lost`, `silent`), `ended`."""

    def after(self, job: str, lines: Iterable[Line]) -> "Standing":
        """Return what is known once these lines came."""
        meter = self.meter if job == self.job else "unknown"
        for line in lines:
            if line.kind == _READING:
                meter = "low-battery" if b'"low-battery"' in line.body else "live"
            elif line.kind == _GAP:
                meter = str(json.loads(line.body).get("reason", meter))
            elif line.kind == _END:
                meter = "ended"
        return Standing(job, meter)

    def as_json(self, utc_ns: int, battery: int | None, software: str) -> Json:
        """Return the status of a crew that is online.

        Args:
            utc_ns: the wall clock.
            battery: of the device, in per cent; None where it cannot be told.
            software: name and version.
        """
        return {
            "online": True,
            "job": self.job,
            "meter": self.meter,
            "battery": battery,
            "utc_ns": str(utc_ns),
            "software": software,
        }


OFFLINE = json.dumps({"online": False}).encode()
"""The status of a crew that left, and the last will of one that was cut off."""


def live_pack(job: Job, lines: Sequence[Line]) -> bytes | None:
    """Write what the meter showed as SenML, without the chain; None where there is no reading among the lines."""
    records = [measured_line(job, line) for line in lines if line.kind == _READING]
    if not records:
        return None
    records[0] = {**base_of(job), **records[0]}
    return json.dumps(records, separators=(",", ":")).encode()


def read_status(data: bytes) -> str | None:
    """Return a status as it came as JSON of what a status has and nothing else; None where it is none."""
    if len(data) > _LONGEST:
        return None
    try:
        body = json.loads(data)
    except (ValueError, RecursionError):
        return None
    if not isinstance(body, dict) or not isinstance(body.get("online"), bool):
        return None
    known = {name: body[name] for name in _NAMES if isinstance(body.get(name), str | int | None) and name in body}
    return json.dumps(known)
