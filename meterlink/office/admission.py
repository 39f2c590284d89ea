"""Whether a pack of a job's log belongs behind what the office has of it. Pure.

Refused, whatever it is hidden in: a line that has not the hash it says, one that does not name the hash before, a job
of another device than the topic's, a seal that does not hold, another line in the place of one that is there.
"""

import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from itertools import pairwise

from meterlink.record.chain import Line, digest
from meterlink.record.entry import Kind
from meterlink.record.seal import Seal
from meterlink.record.store import Job
from meterlink.relay.ack import NOTHING
from meterlink.relay.pack import Pack

_KINDS = frozenset(kind.value.encode() for kind in Kind)
_LARGEST = 2**63
_LARGEST_SEQ = 2**31


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
    lines: Sequence[Line] = ()
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
    hashes: dict[int, str] = field(default_factory=dict)


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
    seals = _hold(pack.seals, job_id, key, trial, hash_at)
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


def _follow(lines: Sequence[Line], trial: _Trial, hash_at: Callable[[int], str | None]) -> list[Line] | Early | Refused:
    """Move the trial along the lines that are new; those that are there already must be the same."""
    fresh = []
    for before, line in pairwise(lines):
        if line.seq != before.seq + 1:
            return Refused(f"out of order: line {line.seq} comes after line {before.seq}")
    for number, line in enumerate(lines):
        if line.seq <= trial.seq:
            if number in (0, len(lines) - 1) or line.seq == trial.seq:
                there = trial.sha256 if line.seq == trial.seq else hash_at(line.seq)
                if there != line.sha256.decode():
                    return Refused(f"altered: line {line.seq} is not the one that came first")
            continue
        if line.seq != trial.seq + 1:
            return Early()
        if line.prev.decode() != trial.sha256:
            return Refused(f"altered: line {line.seq} does not follow the one before")
        if not line.fits:
            return Refused(f"altered: line {line.seq} has not the hash that it says")
        if why := _unfit(line):
            return Refused(f"malformed: line {line.seq} {why}")
        trial.seq, trial.sha256 = line.seq, line.sha256.decode()
        trial.hashes[line.seq] = trial.sha256
        fresh.append(line)
    return fresh


def _unfit(line: Line) -> str | None:
    """Say why a line, though its hash is right, can be no line of a record; None where it can."""
    if line.kind not in _KINDS:
        return "is of a kind that this Steadypoint does not know"
    if line.seq >= _LARGEST_SEQ or max(abs(int(line.monotonic_ns)), abs(int(line.utc_ns))) >= _LARGEST:
        return "has a number that no record can hold"
    try:
        body = json.loads(line.body.decode())
    except (ValueError, RecursionError):
        return "has a body that is no JSON"
    return None if isinstance(body, dict) else "has a body that is no JSON object"


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
        if (trial.hashes.get(seal.events) or hash_at(seal.events)) != seal.head:
            return Refused(f"forged: the seal of line {seal.events} is that of another log")
        trial.sealed = seal.events
        fresh.append(seal)
    return fresh
