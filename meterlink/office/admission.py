"""Whether a pack of a job's log belongs behind what the office has of it. Pure.

Refused, whatever it is hidden in: a line that has not the hash it says, one that does not name the hash before, a job
of another device than the topic's, a seal that does not hold, another line in the place of one that is there.
"""

import hashlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise

from pydantic_core import from_json

from meterlink.record.chain import digest
from meterlink.record.entry import Kind
from meterlink.record.seal import Seal
from meterlink.record.store import Job
from meterlink.relay.ack import NOTHING
from meterlink.relay.pack import Fields, Pack

_KINDS = frozenset(kind.value for kind in Kind)
_LARGEST = 2**63

Row = tuple[int, str, int, int, str, bytes, str]
"""A line as a row of the table of events, behind the job: seq, kind, monotonic_ns, utc_ns, body, raw, sha256."""


@dataclass(frozen=True, slots=True)
class Head:
    """How far the office has a job."""

    seq: int = NOTHING
    sha256: str = ""
    sealed: int = 0
    device: str = ""
    """Whose it is, by the name in its topic."""
    own: str = ""
    """The hash of its own line."""


@dataclass(frozen=True, slots=True)
class Admitted:
    """What is new in a pack, and where the job stands with it."""

    head: Head
    job: Job | None = None
    lines: Sequence[Row] = ()
    seals: Sequence[Seal] = ()


@dataclass(frozen=True, slots=True)
class Early:
    """It begins behind a line that is not there yet."""


@dataclass(frozen=True, slots=True)
class Refused:
    """It will never be taken."""

    why: str


@dataclass(slots=True)
class _Trial:
    """A head that moves along with the lines."""

    seq: int
    sha256: str
    sealed: int


def admit(
    pack: Pack, *, job_id: str, device: str, key: str, head: Head, hash_at: Callable[[int], str | None]
) -> Admitted | Early | Refused:
    """Say what is to be done with a pack.

    Args:
        pack: well-formed, not yet trusted.
        job_id: of its topic.
        device: the same.
        key: the public key that the register has for the device, in hex.
        head: how far the job is there.
        hash_at: the hash of a line that is there.
    """
    if head.seq != NOTHING and head.device != device:
        return Refused(f"foreign: the job is of device {head.device}")
    if pack.job is not None and (why := _wrong_job(pack.job, job_id, key)):
        return Refused(why)
    if head.seq == NOTHING:
        if pack.job is None:
            return Early()
        trial = _Trial(0, pack.job.sha256 or "", 0)
        own = trial.sha256
    else:
        if pack.job is not None and pack.job.sha256 != head.own:
            return Refused("altered: the job's own line is not the one that came first")
        trial, own = _Trial(head.seq, head.sha256, head.sealed), head.own
    fresh = _follow(pack.lines, trial, hash_at)
    if not isinstance(fresh, list):
        return fresh
    news = {seal.events for seal in pack.seals}
    hashes = {row[0]: row[-1] for row in fresh if row[0] in news}
    seals = _hold(pack.seals, job_id, key, trial, lambda seq: hashes.get(seq) or hash_at(seq))
    if not isinstance(seals, list):
        return seals
    new_job = pack.job if head.seq == NOTHING else None
    return Admitted(Head(trial.seq, trial.sha256, trial.sealed, device, own), new_job, fresh, seals)


def _wrong_job(job: Job, job_id: str, key: str) -> str | None:
    if job.id != job_id:
        return "foreign: the job's own line is of another job"
    if job.device != key:
        return "foreign: the job was recorded by another key than the one registered for this device"
    texts = [value for value in (getattr(job, name) for name in job.__slots__) if isinstance(value, str)]
    if any("\0" in text for text in texts) or abs(job.started_utc_ns) >= _LARGEST or abs(job.utc_offset_s) > 86400:
        return "malformed: the job's own line has a value that no record can hold"
    try:
        whole = digest(job.text).decode() == job.sha256
    except ValueError:
        whole = False
    return None if whole else "altered: the job's own line has not the hash that it says"


def _follow(
    lines: Sequence[Fields], trial: _Trial, hash_at: Callable[[int], str | None]
) -> list[Row] | Early | Refused:
    """Move the trial along the lines that are new; those that are there already must be the same."""
    numbers = [int(line[7]) for line in lines]
    for before, number in pairwise(numbers):
        if number != before + 1:
            return Refused(f"out of order: line {number} comes after line {before}")
    known = sum(number <= trial.seq for number in numbers)
    if known:  # the hash of the last of them holds for those before it
        number, sha256 = numbers[known - 1], lines[known - 1][8]
        if sha256 != (trial.sha256 if number == trial.seq else hash_at(number)):
            return Refused(f"altered: line {number} is not the one that came first")
    fresh: list[Row] = []
    expected, last = trial.seq + 1, trial.sha256
    for number, fields in zip(numbers[known:], lines[known:], strict=True):
        text, monotonic_ns, utc_ns, body, kind, prev, raw, _, sha256 = fields
        if number != expected:
            return Early()
        if prev != last:
            return Refused(f"altered: line {number} does not follow the one before")
        if kind not in _KINDS:  # asked first: an unknown word could hide where body and kind meet
            return Refused(f"malformed: line {number} is of a kind that this Steadypoint does not know")
        if hashlib.sha256(f"{text}}}".encode()).hexdigest() != sha256:
            return Refused(f"altered: line {number} has not the hash that it says")
        times = int(monotonic_ns), int(utc_ns)
        if not (-_LARGEST < times[0] < _LARGEST and -_LARGEST < times[1] < _LARGEST):
            return Refused(f"malformed: line {number} has a time that no record can hold")
        if not _is_object(body):
            return Refused(f"malformed: line {number} has a body that is no JSON object, or too deep")
        fresh.append((number, kind, *times, body, bytes.fromhex(raw), sha256))
        expected, last = number + 1, sha256
    trial.seq, trial.sha256 = expected - 1, last
    return fresh


def _is_object(body: str) -> bool:
    try:
        return isinstance(from_json(body, allow_inf_nan=False), dict)
    except ValueError:
        return False


def _hold(
    seals: Sequence[Seal], job_id: str, key: str, trial: _Trial, hash_at: Callable[[int], str | None]
) -> list[Seal] | Early | Refused:
    fresh = []
    for seal in seals:
        if seal.events <= trial.sealed:
            continue
        if seal.job != job_id or seal.public_key != key or abs(seal.utc_ns) >= _LARGEST or not seal.holds:
            return Refused(f"forged: the seal of line {seal.events} does not hold")
        if seal.events > trial.seq:
            return Early()
        if hash_at(seal.events) != seal.head:
            return Refused(f"forged: the seal of line {seal.events} is that of another log")
        trial.sealed = seal.events
        fresh.append(seal)
    return fresh
