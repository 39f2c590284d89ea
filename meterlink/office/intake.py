"""Takes groups of messages into the office's store: many crews' packs in one durable transaction.

It blocks, and is run by a thread of its own. What does not belong is kept aside; what came too early is handed back.
"""

import hashlib
import json
import time
from collections.abc import Collection, Iterator, Sequence
from dataclasses import asdict, dataclass
from operator import itemgetter

from sqlalchemy import Connection, bindparam, delete, func, insert, select, update

from meterlink.office.admission import Admitted, Early, Head, Refused, admit
from meterlink.office.bulk import insert_events
from meterlink.office.locks import hold_jobs
from meterlink.office.marks import mark
from meterlink.office.reader import Found
from meterlink.office.register import Register
from meterlink.record.entry import Kind
from meterlink.record.schema import ASIDE, EVENT, GONE, JOB, MESSAGE, PHOTO_PART, PROGRESS, SEAL, STATUS
from meterlink.record.store import Store
from meterlink.relay.ack import Ack, Why
from meterlink.relay.pack import PHOTO_PART as PART_BYTES
from meterlink.relay.pack import NoPackError, Pack, PhotoPart
from meterlink.relay.standing import read_status
from meterlink.relay.stretch import Stretch
from meterlink.relay.topics import FromCrew

_KEPT_ASIDE = 4096
"""So many bytes of a refused message are kept."""
_ASIDE_AT_MOST = 1000
"""So many refused messages are kept of a device, the newest: whoever floods the office fills no disk."""
_NOTE = Kind.NOTE.value


@dataclass(frozen=True, slots=True)
class Came:
    """A message of a log topic or a status, as it came."""

    crew: FromCrew
    data: bytes
    correlation: bytes
    since: float
    """When, by the monotonic clock: one that is early is not waited for forever."""
    found: Found | None
    """What it is; None for a status."""


@dataclass(frozen=True, slots=True)
class Answer:
    """What to tell a crew."""

    device: str
    job: str
    ack: Ack
    correlation: bytes


@dataclass(slots=True)
class Outcome:
    """What became of a group of messages."""

    answers: list[Answer]
    early: list[Came]
    """Neither taken nor answered: what they follow upon is not there yet."""
    changed: bool
    """Whether there is news in the store."""
    events: int = 0
    """How many lines are new."""
    refused: int = 0

    def add(self, other: "Outcome") -> None:
        """Take over what became of more."""
        self.answers += other.answers
        self.early += other.early
        self.changed |= other.changed
        self.events += other.events
        self.refused += other.refused


class Intake:
    """Takes in."""

    def __init__(self, store: Store, register: Register, early_s: float) -> None:
        """Prepare to take in.

        Args:
            store: the office's.
            register: says whose key is whose.
            early_s: how long a pack waits for the one before it, in seconds, which another process may have.
        """
        self._store, self._register, self._early_s = store, register, early_s

    def take(self, group: Sequence[Came]) -> Outcome:
        """Take in a group, in one transaction that is durable when this returns.

        Raises:
            RecordError: nothing of it was taken in; the crews will send it again.
        """
        with self._store.writing("nothing is taken in") as connection:
            return _Group(connection, self._register, self._early_s).take(group)

    def put_aside(self, came: Came, why: str) -> Outcome:
        """Refuse a message, whatever is in it.

        Raises:
            RecordError: it is not kept; it comes again.
        """
        with self._store.writing("nothing is put aside") as connection:
            return _Group(connection, self._register, self._early_s).put_aside(came, why)


class _Group:
    """One transaction."""

    def __init__(self, connection: Connection, register: Register, early_s: float) -> None:
        self._connection, self._register, self._early_s = connection, register, early_s
        self._now = time.time_ns()
        self._heads: dict[str, Head] = {}
        self._keys: dict[str, str | None] = {}
        self._gone: set[str] = set()
        self._grown: set[str] = set()
        self._new: set[str] = set()
        self._jobs: list[dict[str, object]] = []
        self._events: list[tuple[str, Stretch]] = []
        self._seals: list[dict[str, object]] = []
        self._aside: list[dict[str, object]] = []
        self._heard: list[tuple[str, str, int, str]] = []
        self._answers: dict[tuple[str, str, bytes], Answer] = {}
        self._early: list[Came] = []
        self._statuses: dict[str, bytes] = {}
        self._marks: list[str] = []

    def take(self, group: Sequence[Came]) -> Outcome:
        """Go through the messages in order, then write everything at once."""
        jobs = {came.crew.job for came in group if came.crew.job}
        hold_jobs(self._connection, jobs)
        self._heads = self._stored_heads(jobs)
        self._keys = self._register.keys(self._connection, {came.crew.device for came in group})
        for came in group:
            match came.found:
                case None:
                    self._statuses[came.crew.device] = came.data
                case NoPackError() as error:
                    self._refuse(came, str(error))
                case found:
                    self._take(came, found)
        self._write()
        answers = list(self._answers.values())
        changed = bool(self._marks)
        events = sum(len(lines) for _, lines in self._events)
        return Outcome(answers, self._early, changed, events, len(self._aside))

    def put_aside(self, came: Came, why: str) -> Outcome:
        """Refuse one message."""
        self._heads = self._stored_heads({came.crew.job})
        self._refuse(came, why)
        self._write()
        return Outcome(list(self._answers.values()), [], changed=True, refused=1)

    def _take(self, came: Came, found: Pack | PhotoPart) -> None:
        crew = came.crew
        head = self._head(crew.job)
        key = self._key(crew.device, found)
        if key is None:
            self._refuse(came, "foreign: this device is not registered here, or no longer; enrol it at the office")
            return
        if isinstance(found, PhotoPart):
            self._photo(came, found, head)
            return
        decision = admit(
            found,
            job_id=crew.job,
            device=crew.device,
            key=key,
            head=head,
            hash_at=lambda seq: self._hash_at(crew.job, seq),
        )
        match decision:
            case Refused(why):
                self._refuse(came, why)
            case Early():
                asks = not (found.lines or found.seals or found.job)
                waited = time.monotonic() - came.since >= self._early_s
                if asks or waited:
                    self._answer(came, Ack(head.seq, head.sha256, head.sealed, Why.TAKEN if asks else Why.GAP))
                else:
                    self._early.append(came)
            case Admitted(lines=lines, seals=seals) if crew.job in self._gone and (lines or seals):
                self._refuse(came, "gone: the job left this office as an archive, and takes nothing more")
            case Admitted() as admitted:
                self._admit(crew, admitted)
                self._answer(came, Ack(admitted.head.seq, admitted.head.sha256, admitted.head.sealed))

    def _admit(self, crew: FromCrew, admitted: Admitted) -> None:
        job = crew.job
        if not (admitted.job or admitted.lines or admitted.seals):
            return
        if admitted.job is not None:
            self._jobs.append(asdict(admitted.job))
            self._new.add(job)
        if admitted.lines:
            self._events.append((job, admitted.lines))
        self._seals.extend(asdict(seal) for seal in admitted.seals)
        if _NOTE in admitted.lines.kind:
            self._heard.extend((crew.device, job, seq, body) for seq, body in _answers_to_notes(admitted.lines))
        self._heads[job] = admitted.head
        self._grown.add(job)

    def _key(self, device: str, found: Pack | PhotoPart) -> str | None:
        """Return the key registered for a device; where it is not, that of the job, if the register takes the first."""
        if device in self._keys:
            return self._keys[device]
        first = found.job.device if isinstance(found, Pack) and found.job else None
        key = self._register.key_of_stranger(self._connection, device, first, self._now)
        if key:
            self._keys[device] = key
        return key

    def _head(self, job: str) -> Head:
        return self._heads.get(job, _NO_HEAD)

    def _stored_heads(self, jobs: Collection[str]) -> dict[str, Head]:
        """Return how far the jobs are there, or were when they left."""
        own = JOB.c.sha256.label("own")
        there = select(PROGRESS.c.job, PROGRESS.c.seq, PROGRESS.c.sha256, PROGRESS.c.sealed, PROGRESS.c.device, own)
        heads = there.join(JOB, JOB.c.id == PROGRESS.c.job).where(PROGRESS.c.job.in_(jobs))
        found = {row.job: Head(*row[1:]) for row in self._connection.execute(heads)}
        if len(found) < len(jobs):
            left = select(GONE.c.job, GONE.c.seq, GONE.c.sha256, GONE.c.sealed, GONE.c.device).where(
                GONE.c.job.in_(jobs)
            )
            gone = {row.job: Head(*row[1:]) for row in self._connection.execute(left)}
            self._gone = set(gone)
            found |= gone
        return found

    def _hash_at(self, job: str, seq: int) -> str | None:
        if seq == 0:
            return self._head(job).own
        for own, lines in reversed(self._events):
            if own == job and (sha256 := lines.hash_of(seq)):
                return sha256
        there = select(EVENT.c.sha256).where(EVENT.c.job == job, EVENT.c.seq == seq)
        found = self._connection.execute(there).scalar()
        return found if isinstance(found, str) else None

    def _photo(self, came: Came, part: PhotoPart, head: Head) -> None:
        """Keep a part of a photo that a note of this job names, or say how many are there."""
        job = came.crew.job
        if head.device != came.crew.device:
            self._refuse(came, "foreign: a photo for a job that is not this device's")
            return
        size = self._photo_size(job, part.sha256)
        if size is None:
            self._refuse(came, "foreign: a photo that no note of its job names")
            return
        parts = -(-size // PART_BYTES)
        mine = (PHOTO_PART.c.job == job, PHOTO_PART.c.sha256 == part.sha256)
        have = self._connection.execute(select(func.count()).select_from(PHOTO_PART).where(*mine)).scalar_one()
        if part.data and part.part == have < parts:
            expected = min(PART_BYTES, size - have * PART_BYTES)
            if len(part.data) != expected:
                self._refuse(came, "malformed: a part of a photo has not the size that it must have")
                return
            row = {"job": job, "sha256": part.sha256, "part": part.part, "data": part.data}
            self._connection.execute(insert(PHOTO_PART), row)
            have += 1
            if have == parts:
                data = self._connection.execute(select(PHOTO_PART.c.data).where(*mine).order_by(PHOTO_PART.c.part))
                if hashlib.sha256(b"".join(data.scalars())).hexdigest() != part.sha256:
                    self._connection.execute(delete(PHOTO_PART).where(*mine))
                    self._refuse(came, "altered: a photo has not the hash that its note says")
                    return
                self._marks.append(f"job/{job}")
        self._answer(came, Ack(head.seq, head.sha256, head.sealed, photos={part.sha256: have}))

    def _photo_size(self, job: str, sha256: str) -> int | None:
        notes = select(EVENT.c.body).where(
            EVENT.c.job == job, EVENT.c.kind == Kind.NOTE.value, EVENT.c.body.contains(sha256)
        )
        for body in self._connection.execute(notes).scalars():
            photo = json.loads(body).get("photo")
            if isinstance(photo, dict) and photo.get("sha256") == sha256 and isinstance(photo.get("size"), int):
                size: int = photo["size"]
                return size if 0 < size <= 32 * 1024 * 1024 else None
        return None

    def _answer(self, came: Came, ack: Ack) -> None:
        # One answer for each run is enough, the last.
        key = (came.crew.device, came.crew.job, came.correlation)
        self._answers.pop(key, None)
        self._answers[key] = Answer(came.crew.device, came.crew.job, ack, came.correlation)

    def _refuse(self, came: Came, why: str) -> None:
        crew = came.crew
        self._aside.append(
            {
                "utc_ns": self._now,
                "device": crew.device,
                "job": crew.job,
                "reason": why,
                "size": len(came.data),
                "payload": came.data[:_KEPT_ASIDE],
            }
        )
        head = self._head(crew.job)
        if head.device != crew.device:  # how far another's job goes is none of its business
            head = _NO_HEAD
        self._answer(came, Ack(head.seq, head.sha256, head.sealed, Why.REFUSED, why))

    def _write(self) -> None:
        connection = self._connection
        if self._jobs:
            connection.execute(insert(JOB), self._jobs)
        # A job's lines lie side by side in a file's table: in its order fewer pages are touched more than once.
        insert_events(connection, sorted(self._events, key=itemgetter(0)))
        if self._seals:
            connection.execute(insert(SEAL), self._seals)
        self._write_progress()
        self._write_statuses()
        for heard in self._heard:
            self._note_heard(*heard)
        if self._aside:
            connection.execute(insert(ASIDE), self._aside)
            for device in sorted({str(row["device"]) for row in self._aside}):
                self._forget_aside(device)
                self._marks.append(f"aside/{device}")
        self._marks.extend(f"job/{job}" for job in sorted(self._grown))
        mark(connection, self._marks)

    def _write_progress(self) -> None:
        new, old = [], []
        for job in sorted(self._grown):
            head = self._heads[job]
            row = {"seq": head.seq, "sha256": head.sha256, "sealed": head.sealed, "received_utc_ns": self._now}
            if job in self._new:
                new.append({**row, "job": job, "device": head.device})
            else:
                old.append({**row, "of_job": job})
        if new:
            self._connection.execute(insert(PROGRESS), new)
        if old:
            self._connection.execute(_ADVANCE, old)

    def _write_statuses(self) -> None:
        rows = [
            {"device": device, "body": status, "received_utc_ns": self._now}
            for device, data in self._statuses.items()
            if (status := read_status(data)) is not None
        ]
        if rows:
            names = [row["device"] for row in rows]
            self._connection.execute(delete(STATUS).where(STATUS.c.device.in_(names)))
            self._connection.execute(insert(STATUS), rows)
            self._marks.extend(f"status/{name}" for name in names)

    def _note_heard(self, device: str, job: str, seq: int, body: str) -> None:
        note = json.loads(body).get("note")
        heard = (
            update(MESSAGE)
            .where(MESSAGE.c.id == note, MESSAGE.c.device == device, MESSAGE.c.job.is_(None))
            .values(job=job, seq=seq)
        )
        if isinstance(note, str) and self._connection.execute(heard).rowcount:
            self._marks.append(f"note/{note}")

    def _forget_aside(self, device: str) -> None:
        newest_first = select(ASIDE.c.id).where(ASIDE.c.device == device).order_by(ASIDE.c.id.desc())
        edge = self._connection.execute(newest_first.offset(_ASIDE_AT_MOST).limit(1)).scalar()
        if edge is not None:
            self._connection.execute(delete(ASIDE).where(ASIDE.c.device == device, ASIDE.c.id <= edge))


def _answers_to_notes(lines: Stretch) -> Iterator[tuple[int, str]]:
    """Return number and body of the lines that name a note of the office."""
    for seq, kind, body in zip(lines.seq, lines.kind, lines.body, strict=True):
        if kind == _NOTE and '"note":"' in body:
            yield seq, body


_NO_HEAD = Head()
_ADVANCE = update(PROGRESS).where(PROGRESS.c.job == bindparam("of_job"))
