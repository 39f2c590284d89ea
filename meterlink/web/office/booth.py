"""One job in full, as the technician's own page has it: its stored lines through the engine, once for all who look.

It blocks and is run by one thread. Others read what it made, which is never changed, only replaced.
"""

import json
from collections import deque

from meterlink.errors import MeterlinkError
from meterlink.office.account import Account, Remark, text_of
from meterlink.office.shown import stored_reading
from meterlink.outcome import Json
from meterlink.reading import Reading
from meterlink.record.entry import Event, Kind
from meterlink.record.store import Job
from meterlink.replay import Replay
from meterlink.web.office.records import Message, Records
from meterlink.web.office.trace import Point, Trace
from meterlink.web.scene import Pictured, circuit_shown, live_scene, scene

_AT_ONCE = 400
"""Lines in one go; the thread belongs to other jobs too."""
_SAID = 20
_MS = 1_000_000


class Booth:
    """Follows one job."""

    def __init__(self, records: Records, job_id: str) -> None:
        """Open it.

        Raises:
            RecordError: there is no such job here.
        """
        self._records = records
        self.job: Job = records.job(job_id)
        self.device, self.site = records.owner(job_id)
        self._trace = Trace()
        self.pictured: Pictured | None = None
        self.pictures = 0
        """The line up to which the circuit was read when it changed last: the same number means the same picture."""
        self._replay = Replay(self.job)
        self._account = Account()
        self._seq = self._last = 0
        self._reading: Reading | None = None
        self._trouble: str | None = None
        self._said: deque[Json] = deque(maxlen=_SAID)
        self._messages: list[Message] = []
        self.state = ""
        """JSON: everything but the live value and the points of the trace; empty before the first."""
        self.live = ""
        """JSON: what the meter showed last."""
        self.points: tuple[Point, ...] = ()
        """The trace."""

    @property
    def behind(self) -> bool:
        """Whether there is more to read."""
        return self._seq < self._last

    def advance(self, ahead_ns: int) -> None:
        """Take in what is new, up to a number of lines.

        Args:
            ahead_ns: how far the crew's clock is ahead of this one.

        Raises:
            RecordError: the store cannot be read.
        """
        events = self._records.lines(self.job.id, self._seq, _AT_ONCE)
        self._last = self._records.last_line(self.job.id) if len(events) == _AT_ONCE else self._seq + len(events)
        for event in events:
            self._take(event)
            self._seq = event.seq
        self._messages = self._records.messages(self.device)
        self._write(ahead_ns)

    def _take(self, event: Event) -> None:
        reading = stored_reading(event) if event.kind is Kind.READING else None
        self._trace.take(event, reading)
        self._reading = reading or self._reading
        if event.kind is not Kind.READING:
            self._account.take(event)
        if event.kind is Kind.CUE:
            said = {"code": text_of(event.body, "code"), "text": text_of(event.body, "text")}
            self._said.append({**said, "at": event.at.utc_ns // _MS, "seq": event.seq})
        if self._trouble is not None:
            return
        ms = event.at.monotonic_ns // _MS
        try:
            if differing := self._replay.take(event):
                self._trouble = f"line {differing[0].event} is not what its inputs bring about"
            engine = self._replay.engine
            self._trace.asks(engine, ms)
            if event.kind is Kind.VERDICT:
                step = text_of(event.body, "step")
                points = (each.point for each in engine.procedure.steps if each.id == step)
                self._trace.judged(ms, next(points, step), text_of(event.body, "outcome"))
        except MeterlinkError as error:
            self._trouble = str(error)
        except Exception as error:
            self._trouble = f"{type(error).__name__}: {error}"

    def _write(self, ahead_ns: int) -> None:
        check: Json | None = None
        live: Json | None = None
        if self._trouble is None and self._seq:
            engine = self._replay.engine
            pictured = circuit_shown(engine)
            if pictured != self.pictured:
                self.pictured, self.pictures = pictured, self._seq
            check = scene(engine, pictured)
            live = live_scene(engine, self._reading) if self._reading else None
        account = self._account
        at = self._reading.at if self._reading else None
        state = {
            "job": self.job.id,
            "device": self.device,
            "site": self.site,
            "lift": self.job.lift,
            "title": self.job.title[:300],
            "operator": self.job.operator,
            "meter": self.job.meter[:300],
            "instrument": account.instrument,
            "calibration": account.calibration,
            "due": account.due,
            "started": (self.job.started_utc_ns - ahead_ns) // _MS,
            "complete": account.complete,
            "found": account.found,
            "lost_between": account.lost_between,
            "check": check,
            "trouble": self._trouble,
            "behind": self._last - self._seq,
            "picture": self.pictures if self.pictured else None,
            "said": [{**said, "at": int(str(said["at"])) - ahead_ns // _MS} for said in self._said],
            "remarks": [_remark(each, ahead_ns) for each in account.remarks],
            "messages": [_message(each) for each in self._messages],
            "trace": self._trace.as_json(),
        }
        self.state = json.dumps(state, separators=(",", ":"))
        if live is not None and at is not None:
            body = {**live, "at": (at.utc_ns - ahead_ns) // _MS, "t": at.monotonic_ns // _MS}
            self.live = json.dumps(body, separators=(",", ":"))
        self.points = tuple(self._trace.points)


def _remark(remark: Remark, ahead_ns: int) -> Json:
    return {
        "text": remark.text,
        "by": remark.by,
        "at": (remark.utc_ns - ahead_ns) // _MS,
        "photo": remark.photo,
        "note": remark.note,
    }


def _message(message: Message) -> Json:
    at = message.utc_ns // _MS
    return {"id": message.id, "text": message.text, "by": message.by, "at": at, "heard": message.heard}
