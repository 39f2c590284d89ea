"""One job being run: every input and what it brings about is on disk before anyone is told.

Resuming is replaying: the stored inputs go through a fresh engine, which must say again what the record says it said.
"""

import time
from collections.abc import Sequence
from dataclasses import dataclass, replace
from importlib.metadata import version

from meterlink.driver import Notice
from meterlink.engine import Engine
from meterlink.errors import RecordError
from meterlink.instrument import Instrument
from meterlink.keeper import Item, News
from meterlink.note import Note
from meterlink.outcome import Answer, Break, EngineInput, Gap, Input, Json, Jumper, Outcome
from meterlink.prepared import Prepared
from meterlink.reading import NS_PER_S, Instant
from meterlink.record.codec import link_note, start_entry, to_entry
from meterlink.record.entry import Entry, Kind
from meterlink.record.seal import Signer
from meterlink.record.store import Store
from meterlink.replay import Replay

_UNTOLD_S = 0.25
"""How long readings that brought nothing about may wait in memory to share one write, in seconds."""


@dataclass(frozen=True, slots=True)
class Particulars:
    """What is said of a job when it begins, beside procedure and meter."""

    lift: str | None = None
    """The installation's tag."""
    operator: str | None = None
    """Who works."""
    seals_at_end: bool = True
    """Whether the job is sealed when it ends, or stays open to go on."""


PLAIN = Particulars()
"""Nothing is said."""


class Session:
    """Feeds one engine, stores what goes in and comes out, and hands the outcomes on only then."""

    def __init__(
        self,
        store: Store,
        job: str,
        engine: Engine,
        begun: Instant,
        *,
        stored: Sequence[Outcome] = (),
        first: Sequence[Item | Instrument] = (),
        signer: Signer | None = None,
    ) -> None:
        """Take over a job: what is stored and not yet announced, what it must be fed first, and who seals its end."""
        self.job, self.engine = job, engine
        self._to_announce, self._first = stored, first
        self._store, self._begun, self.last = store, begun, begun
        self._signer = signer
        self._unsaved: list[Entry] = []
        self._oldest_unsaved = 0.0

    @classmethod
    def begin(
        cls,
        store: Store,
        prepared: Prepared,
        meter: str,
        instrument: Instrument,
        *,
        about: Particulars = PLAIN,
        signer: Signer | None = None,
    ) -> "Session":
        """Start a new job; the first step and the meter are the first things to announce (see `opening`).

        Args:
            store: takes it.
            prepared: what it is run by.
            meter: the METER address.
            instrument: what is known of the meter.
            about: what else is said of it.
            signer: the device's key; None: the job is never sealed.
        """
        procedure = prepared.procedure
        engine = Engine(procedure, prepared.tied, prepared.ways)
        now = time.time_ns()
        begun = Instant(0, now)
        instrument = replace(instrument, at=begun)
        asked, stated = engine.start(begun), engine.feed(instrument)
        entries = [
            start_entry(procedure.cautions, begun, prepared.kept),
            *map(to_entry, asked),
            to_entry(instrument),
            *map(to_entry, stated),
        ]
        job = store.begin_job(
            procedure,
            prepared.source,
            meter=meter,
            meter_identity=instrument.identity,
            software=f"steadypoint {version('steadypoint')}",
            started_utc_ns=now,
            utc_offset_s=time.localtime().tm_gmtoff,
            lift=about.lift,
            operator=about.operator,
            device=signer.public_key if signer else None,
            seals_at_end=signer is not None and about.seals_at_end,
            entries=entries,
        )
        seals = signer if about.seals_at_end else None
        return cls(store, job, engine, begun, stored=(*asked, *stated), signer=seals)

    @classmethod
    def resume(cls, store: Store, job_id: str, instrument: Instrument, signer: Signer | None = None) -> "Session":
        """Bring a job back to where it stood; it is sealed when it ends, unless there is nobody to sign.

        Raises:
            RecordError: no such job, it is complete, or the record does not replay to what it says.
        """
        job = store.job(job_id)
        if signer is not None and job.device not in (None, signer.public_key.hex()):
            raise RecordError(f"job {job_id} was recorded by another device; only that one can go on with it")
        replay = Replay(job)
        if wrong := next(replay.run(store.events(job_id)), None):
            where = f"line {wrong.event} is not what its inputs bring about"
            if wrong.stored is None:
                where = f"{wrong.replayed} is missing before line {wrong.event}"
            raise RecordError(f"job {job_id} does not replay: {where}")
        engine, last = replay.engine, replay.last
        if engine.ended and engine.tally(last).complete:
            raise RecordError(f"job {job_id} is complete; there is nothing to resume. `steadypoint show {job_id}`")
        now = time.time_ns()
        pause = max(now - last.utc_ns, NS_PER_S)
        start = Instant(0, now)
        again = Input(Answer.REPEAT, start) if engine.ended else Gap(start, Break.RESUMED)
        begun = Instant(last.monotonic_ns + pause, now)
        return cls(store, job_id, engine, begun, first=(again, replace(instrument, at=start)), signer=signer)

    def opening(self) -> list[Json]:
        """Return what to announce first: the step that is waited for, and which meter it is.

        A resumed job notes the break first; one that a step had stopped waits for that step again.
        """
        announced = [each.as_json() for each in self._to_announce]
        return announced + [line for item in self._first for line in self.take(item)]

    def take(self, item: Item | Instrument | Jumper | Note) -> list[Json]:
        """Feed one input, or keep a note, timed from the start of this run; return what to announce, durably stored.

        Raises:
            RecordError: it could not be stored; nothing of it may be announced.
        """
        if isinstance(item, News):
            self.note(item.text)
            return []
        return self._take(replace(item, at=self._job_time(item.at)))

    def note(self, news: str) -> None:
        """Keep news of the link; nothing is announced for it."""
        self._keep([link_note(news, self.last)])

    def close(self, reason: Break) -> list[Json]:
        """Close a run that has not come to the procedure's end; return what to announce, with the tally so far."""
        announced = self._take(Gap(self.last, reason))
        self._save()
        if not self.engine.ended:
            announced.append(self._with_job(self.engine.tally(self.last).as_json()))
        return announced

    def _take(self, item: EngineInput | Notice | Note) -> list[Json]:
        outcomes = [] if isinstance(item, Notice | Note) else self.engine.feed(item)
        self._keep([to_entry(item), *map(to_entry, outcomes)])
        if outcomes or isinstance(item, Note) or time.monotonic() - self._oldest_unsaved > _UNTOLD_S:
            self._save()
        return [self._with_job(outcome.as_json()) for outcome in outcomes]

    def _job_time(self, at: Instant) -> Instant:
        """Place a time of this run in the job's time; one stamped a moment early moves behind what came before."""
        placed = Instant(self._begun.monotonic_ns + at.monotonic_ns, at.utc_ns)
        self.last = max(placed, self.last)
        return self.last

    def _keep(self, entries: Sequence[Entry]) -> None:
        if not self._unsaved:
            self._oldest_unsaved = time.monotonic()
        self._unsaved.extend(entries)

    def _save(self) -> None:
        if self._unsaved:
            ended = any(entry.kind is Kind.END for entry in self._unsaved)
            self._store.append(self.job, self._unsaved, self._signer if ended else None)
            self._unsaved = []

    def _with_job(self, body: Json) -> Json:
        return {**body, "job": self.job} if body["event"] == "end" else body
