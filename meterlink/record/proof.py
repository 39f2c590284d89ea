"""What a job's chain and seals prove, and what they do not, in plain words. It decides; the shells bring the lines."""

import json
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from meterlink.outcome import Json
from meterlink.record.chain import Line, digest
from meterlink.record.entry import Kind
from meterlink.record.seal import Seal, fingerprint
from meterlink.record.store import Job
from meterlink.record.words import rfc3339

NOT_PROVEN = (
    "No chain proves that the clock was right, that the probes were where the procedure asked for them, "
    "or that nobody else had the key."
)
_NO_CHAIN = "not chained: made by an older version, which kept no hashes; nothing shows whether it was altered"
_END = Kind.END.value.encode()
_NOTE = Kind.NOTE.value.encode()


@dataclass(slots=True)
class Proof:
    """What was found about one job."""

    job: str
    events: int = 0
    """How many events are there."""
    first_bad_event: int | None = None
    """The first event that was altered, is missing, or does not belong there; 0 is the job's own line."""
    sealed: bool = False
    """Whether a seal that holds covers the last event."""
    key: str | None = None
    """The public key of the last seal, in hex."""
    troubles: list[str] = field(default_factory=list)
    """What speaks against the record, a sentence each."""
    facts: list[str] = field(default_factory=list)
    """What is proven, and what is not, a sentence each."""
    photos: dict[str, int] = field(default_factory=dict)
    """The hashes of the photos that its notes name, each with the number of the first such note."""

    @property
    def intact(self) -> bool:
        """Whether nothing speaks against it."""
        return not self.troubles

    def bad(self, event: int | None, trouble: str) -> None:
        """Note what is wrong, and with which event; None where that cannot be told."""
        self.troubles.append(trouble)
        if event is not None and (self.first_bad_event is None or event < self.first_bad_event):
            self.first_bad_event = event

    def as_json(self) -> Json:
        """The line that `verify --json` prints: a public contract."""
        return {
            "job": self.job,
            "intact": self.intact,
            "sealed": self.sealed,
            "events": self.events,
            "first_bad_event": self.first_bad_event,
            "reasons": [*self.troubles, *self.facts],
            "key": fingerprint(self.key) if self.key else None,
        }


def prove(
    job: Job, lines: Iterable[Line | None], seals: Sequence[Seal], known: Mapping[str, str], *, recorded_here: bool
) -> Proof:
    """Work out what a job's chain and seals prove.

    Args:
        job: its own line, as found.
        lines: its events as found, in order; None for one that cannot be read at all.
        seals: as found.
        known: names of the keys that are known here, by public key in hex.
        recorded_here: whether the job lies in this machine's own record, where no unknown key has any business.
    """
    proof = Proof(job.id)
    if job.sha256 is None:
        proof.events = sum(1 for _ in lines)
        proof.bad(None, f"{_NO_CHAIN}.")
        return proof
    if _own_hash(job) != job.sha256:
        proof.bad(0, "Event 0, the job's own line (procedure, meter, software, start, lift, operator), was altered.")
    walk = _Walk(proof, job.sha256.encode("utf-8", "replace"), frozenset(each.events for each in seals))
    for line in lines:
        walk.take(line)
    walk.close()
    if proof.intact:
        proof.facts.append(f"Each of the {proof.events} events follows the one before as it was written.")
    holding = list(_check_seals(proof, job, seals, walk))
    _judge_keys(proof, job, holding, known, recorded_here=recorded_here)
    _judge_end(proof, job, holding, walk)
    proof.facts.append(NOT_PROVEN)
    return proof


def check_photos(proof: Proof, has: Callable[[str], bool]) -> None:
    """Note which photos are missing.

    Args:
        proof: what was found so far.
        has: tells whether the bytes of this hash are there.
    """
    for sha256, event in proof.photos.items():
        if not has(sha256):
            proof.bad(event, f"The photo that event {event} names is missing or was altered.")


def _own_hash(job: Job) -> str | None:
    try:
        return digest(job.text).decode()
    except ValueError:  # a text that is none any more
        return None


class _Walk:
    """Goes along the lines and compares each with what must stand there."""

    def __init__(self, proof: Proof, own: bytes, wanted: frozenset[int]) -> None:
        """Begin at the job's own line, whose hash is `own`; `wanted` are the numbers whose hashes are asked for."""
        self._proof, self._last, self._wanted = proof, own, wanted
        self.number = 0
        """Of the last line."""
        self.hashes: dict[int, str] = {}
        self.ended: int | None = None
        """The last event that ended the job."""
        self._altered: list[int] = []

    def take(self, line: Line | None) -> None:
        self._proof.events += 1
        expected = self.number + 1
        if line is None:
            self._altered.append(expected)
            self.number, self._last = expected, b""
            return
        if line.seq > expected:
            self._proof.bad(expected, f"Event {expected} is missing.")
        elif line.seq < expected:
            self._proof.bad(expected, f"Event {expected} is not there: event {line.seq} stands in its place.")
        elif not line.fits or (self._last and line.prev != self._last):
            self._altered.append(line.seq)
        self.number, self._last = max(line.seq, expected), line.sha256
        if self.number in self._wanted:
            self.hashes[self.number] = line.sha256.decode("ascii", "replace")
        if line.kind == _END:
            self.ended = self.number
        elif line.kind == _NOTE:
            for sha256 in _photos(line.body):
                self._proof.photos.setdefault(sha256, self.number)

    def close(self) -> None:
        if self._altered:
            first, *more = self._altered
            also = f", and {len(more)} after it" if more else ""
            self._proof.bad(first, f"Event {first} was altered since it was written{also}.")


def _photos(body: bytes) -> Iterator[str]:
    try:
        photo = json.loads(body).get("photo")
    except (ValueError, AttributeError):
        return
    if isinstance(photo, dict) and isinstance(photo.get("sha256"), str):
        yield photo["sha256"]


def _check_seals(proof: Proof, job: Job, seals: Sequence[Seal], walk: _Walk) -> Iterator[Seal]:
    """Compare each seal with the chain; yield those that hold."""
    for seal in seals:
        when = f"The seal of event {seal.events}"
        if seal.job != job.id or not seal.holds:
            proof.bad(None, f"{when} does not hold: it was altered, or is another job's.")
        elif seal.events > walk.number:
            missing = walk.number + 1
            proof.bad(missing, f"The log is truncated: it was sealed with {seal.events} events; {missing} is missing.")
        elif walk.hashes.get(seal.events) != seal.head:
            text = f"{when} is that of another log: events up to {seal.events} were altered and linked anew."
            proof.bad(None if proof.first_bad_event is None else proof.first_bad_event, text)
        else:
            yield seal


def _judge_keys(
    proof: Proof, job: Job, seals: Sequence[Seal], known: Mapping[str, str], *, recorded_here: bool
) -> None:
    for seal in seals:
        short = fingerprint(seal.public_key)
        proof.key = seal.public_key
        if seal.public_key != job.device:
            recorder = fingerprint(job.device) if job.device else "none"
            proof.bad(None, f"Sealed by key {short}, but the job was recorded by the device with key {recorder}.")
        name = known.get(seal.public_key)
        up_to = f"Signature over events 1 to {seal.events} by key {short}"
        at = f"device time {rfc3339(seal.utc_ns)}"
        if name is not None and name != short:
            proof.facts.append(f"{up_to} (known: {name}), {at}.")
        elif name is not None:
            proof.facts.append(f"{up_to} (known only from an import: compare it with its owner's), {at}.")
        elif recorded_here:
            proof.bad(None, f"{up_to}, which is not known in this record: signed anew by somebody else.")
        else:
            proof.facts.append(f"{up_to} (unknown: compare it with its owner's before you rely on it), {at}.")


def _judge_end(proof: Proof, job: Job, holding: Sequence[Seal], walk: _Walk) -> None:
    sealed_to = max((seal.events for seal in holding), default=0)
    proof.sealed = 0 < sealed_to == walk.number
    if job.sealing == "at-end" and walk.ended is not None and walk.ended > sealed_to and proof.intact:
        proof.bad(None, f"The job ended with event {walk.ended}, and the seal that was set then is missing.")
    elif sealed_to and not proof.sealed and proof.intact:
        proof.facts.append(f"Events after {sealed_to} are not sealed: nothing proves that none is missing at the end.")
    elif not sealed_to and not any("truncated" in trouble for trouble in proof.troubles):
        proof.facts.append("Not sealed: nothing proves who recorded it, nor that no event is missing at the end.")
