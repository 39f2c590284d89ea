"""The office's end-to-end acknowledgement of a job. Pure.

JSON: `{"seq": 37, "sha256": "...", "sealed": 37, "why": "taken"}`. `seq` is the last line of the job's log that the
office has durably, with its hash; 0 is the job's own line, -1: it has nothing of it. `sealed` is the last line that a
seal covers there. The message's correlation data (MQTT 5) is that of the pack it answers.
"""

import json
import re
from dataclasses import dataclass
from enum import StrEnum

LONGEST = 4096
"""Bytes; more is no acknowledgement."""
NOTHING = -1
"""The `seq` of a job of which the office has nothing."""
_HASH = re.compile(r"[0-9a-f]{64}|")


class Why(StrEnum):
    """What became of the pack that is answered."""

    TAKEN = "taken"
    """It is in, or was already; or it only asked."""
    GAP = "gap"
    """It does not follow upon what is there: go on after `seq`."""
    REFUSED = "refused"
    """It will not be taken, and nothing that follows; `text` says why."""


@dataclass(frozen=True, slots=True)
class Ack:
    """How far the office has a job."""

    seq: int
    sha256: str
    """Of that line; empty where there is nothing."""
    sealed: int = 0
    why: Why = Why.TAKEN
    text: str = ""
    photos: dict[str, int] | None = None
    """Of photos that the pack was about: how many parts are there, in order from the first."""

    def write(self) -> bytes:
        """Write it."""
        body: dict[str, object] = {"seq": self.seq, "sha256": self.sha256, "sealed": self.sealed, "why": self.why.value}
        if self.text:
            body["text"] = self.text
        if self.photos:
            body["photos"] = self.photos
        return json.dumps(body).encode()


def read_ack(data: bytes) -> Ack | None:
    """Read one; None where these bytes are none."""
    if len(data) > LONGEST:
        return None
    try:
        body = json.loads(data)
        photos = body.get("photos") or {}
        numbers = (body["seq"], body["sealed"], *photos.values())
        sha256, why, text = body["sha256"], Why(body["why"]), str(body.get("text", ""))
        if _HASH.fullmatch(sha256) is None or any(type(each) is not int or each < NOTHING for each in numbers):
            return None
    except (AttributeError, KeyError, TypeError, ValueError, RecursionError):
        return None
    return Ack(body["seq"], sha256, body["sealed"], why, text, photos)
