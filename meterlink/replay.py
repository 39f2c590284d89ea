"""Replays a job: its stored frames through decoder and engine, every outcome compared with what was stored.

Resuming a job is replaying it, and an auditor does the same years later. It decides; the shells bring the log.
"""

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import partial

from meterlink.driver import Decoder
from meterlink.engine import Engine
from meterlink.errors import RecordError
from meterlink.instrument import Instrument, Wire
from meterlink.outcome import EngineInput, Gap, Json, seconds
from meterlink.prepared import Prepared, kept_again
from meterlink.reading import Instant, Reading
from meterlink.record.codec import from_event, to_entry
from meterlink.record.entry import OUTCOMES, Event, Kind
from meterlink.record.store import Job
from meterlink.record.words import rfc3339

Decoders = Callable[[Wire], Decoder | None]
"""Makes a fresh decoder for what is stored of a meter's wire format; None where this machine cannot read it."""


@dataclass(frozen=True, slots=True)
class Difference:
    """What was stored, and what the replay says in its place."""

    event: int
    """The number of the stored event; where there is none, of the one before which something is missing."""
    at: Instant
    stored: Json | None
    replayed: Json | None

    def as_json(self) -> Json:
        """As an element of what `replay --json` prints under `differences`."""
        times = {"event": self.event, "t": seconds(self.at), "utc": rfc3339(self.at.utc_ns)}
        return {**times, "stored": self.stored, "replayed": self.replayed}


class Replay:
    """One replay of one job."""

    def __init__(self, job: Job, decoders: Decoders | None = None) -> None:
        """Be ready to start.

        Args:
            job: its procedure is taken from here, its circuit from its first event.
            decoders: decode the stored frames again; None: the stored readings are taken as they are.
        """
        self._job, self._decoders = job, decoders
        self._engine: Engine | None = None
        self._known = False
        self._frames = _Frames(None)
        self._due: list[Json] = []
        """What the engine has said, and the log has not yet."""
        self._seq = 0
        self.last = Instant(0, 0)
        """The time of the latest event so far."""
        self.outcomes = 0
        """Stored outcomes compared so far."""
        self.decoded = 0
        """Stored frames that were decoded again so far."""
        self.not_decoded = 0
        """Readings so far of which no frame could be decoded by itself."""

    @property
    def engine(self) -> Engine:
        """The engine as it stands now.

        Raises:
            RecordError: the log has no start.
        """
        if self._engine is None:
            raise RecordError(f"job {self._job.id} does not replay: its log has no start")
        return self._engine

    def run(self, events: Iterable[Event]) -> Iterator[Difference]:
        """Replay a log; yield what differs, in order.

        Raises:
            RecordError: an event cannot be read back, or the job is one of an older version.
        """
        for event in events:
            yield from self.take(event)
        yield from self.close()

    def take(self, event: Event) -> list[Difference]:
        """Replay the next event; return what differs.

        Raises:
            RecordError: it cannot be read back, or the job is one of an older version.
        """
        self._seq = event.seq
        self.last = max(self.last, event.at)  # a touch is told after the reading that ended it, and ended before
        if event.kind in OUTCOMES:
            self.outcomes += 1
            stored, replayed = event.body, self._due.pop(0) if self._due else None
            same = stored == replayed and stored.get("event") == event.kind
            return [] if same else [Difference(event.seq, event.at, stored, replayed)]
        differences = [Difference(event.seq, event.at, None, missing) for missing in self._due]
        self._due = []
        if event.kind is Kind.START:
            prepared = kept_with(self._job, event)
            self._engine = Engine(prepared.procedure, prepared.tied, prepared.ways)
            self._due = [outcome.as_json() for outcome in self._engine.start(event.at)]
            return differences
        item = from_event(event)
        if item is None:
            return differences
        if isinstance(item, Reading):
            if not self._known:
                raise _older(self._job)
            differences += self._decode(event, item)
        else:
            self._note_wire(event, item)
        self._due = [outcome.as_json() for outcome in self.engine.feed(item)]
        return differences

    def close(self) -> list[Difference]:
        """Come to the end of the log; return what is missing there.

        Raises:
            RecordError: the job is one of an older version.
        """
        if not self._known:
            raise _older(self._job)
        return [Difference(self._seq + 1, self.last, None, missing) for missing in self._due]

    def _note_wire(self, event: Event, item: EngineInput) -> None:
        """Begin with a fresh decoder, as the link did: for another meter, and behind each break."""
        if event.kind is Kind.INSTRUMENT:
            self._known = True
            wire = item.wire if isinstance(item, Instrument) else None
            self._frames = _Frames(partial(self._decoders, wire) if self._decoders and wire else None)
        elif isinstance(item, Gap):
            self._frames.begin()

    def _decode(self, event: Event, reading: Reading) -> Iterator[Difference]:
        if not reading.raw or not self._frames.can:
            self.not_decoded += 1
            return
        again = self._frames.decode(reading)
        if again is None:
            self.not_decoded += 1
        elif again == [reading]:
            self.decoded += 1
        else:
            replayed = to_entry(again[0]).body if again else None
            yield Difference(event.seq, event.at, event.body, replayed)


class _Frames:
    """Decodes stored frames, each of which once completed a reading."""

    def __init__(self, make: Callable[[], Decoder | None] | None) -> None:
        self._make = make
        self._decoder: Decoder | None = None
        self._alone = False
        """Whether a frame of this format was decoded by itself; some take what was asked before to be understood."""
        self.begin()

    @property
    def can(self) -> bool:
        return self._decoder is not None

    def begin(self) -> None:
        self._decoder = self._make() if self._make else None

    def decode(self, reading: Reading) -> list[Reading] | None:
        """Return what the frame decodes to; None for a format whose frames say nothing by themselves."""
        assert self._decoder is not None  # noqa: S101 - only asked where it can
        found = [item for item in self._decoder.feed(reading.raw, reading.at) if isinstance(item, Reading)]
        self._alone = self._alone or bool(found)
        return found if self._alone else None


def kept_with(job: Job, start: Event) -> Prepared:
    """Prepare what a job is run by, as it was kept when it began.

    Raises:
        RecordError: it cannot be read back.
    """
    try:
        return kept_again(job.source, start.body, f"{job.id} (stored)")
    except (KeyError, TypeError, ValueError) as error:
        raise RecordError(f"job {job.id}: what it began with cannot be read back: {error}") from error


def last_verdicts(events: Iterable[Event]) -> dict[str, Json]:
    """The stored verdict that counts, by step."""
    return {str(event.body["step"]): event.body for event in events if event.kind is Kind.VERDICT}


def what_if(prepared: Prepared, events: Iterable[Event]) -> dict[str, Json]:
    """Feed a job's stored inputs to the engine with another procedure; return the verdict that counts, by step.

    It is what the engine would have said of the same readings and answers. The technician would have been asked other
    questions where the verdicts differ, so what follows the first difference says less.
    """
    engine = Engine(prepared.procedure, prepared.tied, prepared.ways)
    for event in events:
        if event.kind is Kind.START:
            engine.start(event.at)
        elif (item := from_event(event)) is not None:
            engine.feed(item)
    return {step: verdict.as_json() for step, verdict in engine.verdicts.items()}


def verdict_differences(
    stored: Mapping[str, Json], other: Mapping[str, Json]
) -> list[tuple[str, Json | None, Json | None]]:
    """Compare verdicts step by step: by outcome, and by limits."""
    steps = dict.fromkeys((*stored, *other))
    pairs = [(step, stored.get(step), other.get(step)) for step in steps]
    return [(step, one, two) for step, one, two in pairs if _telling(one) != _telling(two)]


def _telling(verdict: Json | None) -> tuple[object, object] | None:
    return None if verdict is None else (verdict["outcome"], verdict["limits"])


def _older(job: Job) -> RecordError:
    return RecordError(
        f"job {job.id} was begun by an older Steadypoint, which knew nothing of the meter's uncertainty; "
        f"it can be looked at (steadypoint show {job.id}), but neither replayed nor gone on with"
    )
