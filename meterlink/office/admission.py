"""Whether a pack of a job's log belongs behind what the office has of it. Pure.

What is in a pack is sound by itself already. Refused is what does not follow upon what is there, a job of another
device than the topic's, a seal that does not hold, another line in the place of one that is there.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from meterlink.record.chain import digest
from meterlink.record.seal import Seal
from meterlink.record.store import Job
from meterlink.relay.ack import NOTHING
from meterlink.relay.pack import LARGEST_TIME, Pack
from meterlink.relay.stretch import NO_LINES, Stretch


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
    lines: Stretch = NO_LINES
    seals: Sequence[Seal] = ()


@dataclass(frozen=True, slots=True)
class Early:
    """It begins behind a line that is not there yet."""


@dataclass(frozen=True, slots=True)
class Refused:
    """It will never be taken."""

    why: str


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
        own = pack.job.sha256 or ""
        head = Head(0, own, 0, device, own)
        new_job: Job | None = pack.job
    else:
        if pack.job is not None and pack.job.sha256 != head.own:
            return Refused("altered: the job's own line is not the one that came first")
        new_job = None
    fresh = _fresh(pack, head, hash_at)
    if not isinstance(fresh, Stretch):
        return fresh
    seq, sha256 = (fresh.seq[-1], fresh.sha256[-1]) if fresh else (head.seq, head.sha256)
    seals = [seal for seal in pack.seals if seal.events > head.sealed]
    numbers = [seal.events for seal in seals]
    if numbers != sorted(set(numbers)):
        return Refused("malformed: seals that do not follow each other")
    for seal in seals:
        if seal.job != job_id or seal.public_key != key or abs(seal.utc_ns) >= LARGEST_TIME or not seal.holds:
            return Refused(f"forged: the seal of line {seal.events} does not hold")
        if seal.events > seq:
            return Early()
        if (fresh.hash_of(seal.events) or hash_at(seal.events)) != seal.head:
            return Refused(f"forged: the seal of line {seal.events} is that of another log")
    sealed = max((seal.events for seal in seals), default=head.sealed)
    return Admitted(Head(seq, sha256, sealed, device, head.own), new_job, fresh, seals)


def _fresh(pack: Pack, head: Head, hash_at: Callable[[int], str | None]) -> Stretch | Early | Refused:
    """Return the lines that are new; those that are there already must be the same."""
    lines = pack.lines
    if not lines:
        return lines
    known = head.seq - lines.seq[0] + 1
    if known < 0:
        return Early()
    if known == 0:
        if pack.prev != head.sha256:
            return Refused(f"altered: line {head.seq + 1} does not follow the one before")
        return lines
    seq = min(head.seq, lines.seq[-1])  # its hash holds for those before it
    if lines.hash_of(seq) != (head.sha256 if seq == head.seq else hash_at(seq)):
        return Refused(f"altered: line {seq} is not the one that came first")
    return lines.without(known)


def _wrong_job(job: Job, job_id: str, key: str) -> str | None:
    if job.id != job_id:
        return "foreign: the job's own line is of another job"
    if job.device != key:
        return "foreign: the job was recorded by another key than the one registered for this device"
    texts = [value for value in (getattr(job, name) for name in job.__slots__) if isinstance(value, str)]
    if any("\0" in text for text in texts) or abs(job.started_utc_ns) >= LARGEST_TIME or abs(job.utc_offset_s) > 86400:
        return "malformed: the job's own line has a value that no record can hold"
    try:
        whole = digest(job.text).decode() == job.sha256
    except ValueError:
        whole = False
    return None if whole else "altered: the job's own line has not the hash that it says"
