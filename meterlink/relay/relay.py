"""Publishes the record: tails the log, sends what the office lacks, takes its acknowledgements and notes.

It decides nothing by itself: `outstanding` says what is due, this sends it. There is no queue beside the log.
"""

import asyncio
import json
import random
import secrets
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from importlib.metadata import version
from pathlib import Path

import aiomqtt

from meterlink.errors import MeterlinkError, RecordError
from meterlink.inbox import put_note
from meterlink.reading import NS_PER_S
from meterlink.record.chain import Line
from meterlink.record.photos import photo_path
from meterlink.record.store import Store
from meterlink.record.written import written_job
from meterlink.relay import topics
from meterlink.relay.ack import Ack, read_ack
from meterlink.relay.broker import (
    Broker,
    BrokerError,
    NotLetInError,
    Session,
    connected,
    correlated,
    correlation_of,
    ignore_closed_sockets,
    until_broken,
)
from meterlink.relay.device import Device, battery, this_device
from meterlink.relay.outstanding import Ask, Outstanding, Send
from meterlink.relay.pack import PHOTO_PART, PhotoPart, write_pack, write_photo_part
from meterlink.relay.patience import wait_s
from meterlink.relay.photos import PhotoWay, photos_of
from meterlink.relay.standing import OFFLINE, Standing, live_pack
from meterlink.relay.tail import Head, Tail

_POLL_S = 0.05
"""How often the file is asked whether anyone has committed; nobody sees a shorter delay."""
_PACK_LINES, _PACK_BYTES = 256, 96 * 1024
_UNCONFIRMED_BYTES = 64 * 1024
"""So much may be on its way to the broker: more would only wait in this machine while the link is slow."""
_JOBS_AT_ONCE = 16
_NEWEST_LINES = 20
_LIVE_FOR_NS = 10 * NS_PER_S
"""A reading older than this is no news."""
_STATUS_EVERY_S = 60.0
_SESSION_S = 7 * 24 * 3600
"""For so long the broker keeps what the office says to a crew that is away."""
_NEVER_S = 30.0
"""How long to wait where the broker does not let this client in, before it is tried again."""

Say = Callable[[str], None]


class NotAllThereError(MeterlinkError):
    """The office has not acknowledged everything; says what is missing, and why."""


@dataclass(slots=True)
class _Way:
    """One job on its way."""

    job: str
    lines: Outstanding = field(default_factory=Outstanding)
    photos: dict[str, PhotoWay] = field(default_factory=dict)
    looked_up_to: int = 0
    """Up to this line, notes were searched for photos."""
    told: str | None = None

    @property
    def complete(self) -> bool:
        searched = self.lines.complete and self.looked_up_to >= self.lines.seq
        return searched and all(photo.complete for photo in self.photos.values())


class Relay:
    """One device's relay."""

    def __init__(self, device: Device, tail: Tail, broker: Broker, say: Say) -> None:
        """Prepare to send.

        Args:
            device: whose record it is.
            tail: reads it.
            broker: where to send.
            say: tells the user news, a sentence each.
        """
        self._device, self._tail, self._broker, self._say = device, tail, broker, say
        self._ways: dict[str, _Way] = {}
        self._boot = secrets.token_hex(4)
        self._client_id = f"steadypoint-{device.name}-{device.home_id}"
        self._standing = Standing()
        self._seen: dict[str, int] = {}
        self._wake = asyncio.Event()
        self._unconfirmed = 0
        self._publishing: set[asyncio.Task[None]] = set()
        self._heard = time.monotonic()
        self._said: str | None = None
        self._closing = False
        self._finishing = asyncio.Event()

    def finish(self) -> None:
        """End once all is acknowledged, as with `once`; may be called from any task of the loop."""
        self._closing = True
        self._heard = time.monotonic()
        self._finishing.set()
        self._wake.set()

    async def run(self, *, once: bool, patience_s: float) -> None:
        """Send for as long as it is let; with `once`, until the office has everything.

        Args:
            once: end when all is acknowledged.
            patience_s: with `once`, how long the office may say nothing, in seconds.

        Raises:
            NotAllThereError: with `once`: the office did not answer, or refuses something.
            NotLetInError: with `once`: the broker does not let us in.
        """
        ignore_closed_sockets()
        self._closing = self._closing or once
        self._heard = time.monotonic()
        failures = 0
        while True:
            try:
                async with connected(self._broker, self._session(), self._hear) as client:
                    failures = 0
                    self._news(f"connected to {self._broker.address}")
                    await self._converse(client, patience_s)
                    return
            except NotLetInError as error:
                if self._closing:
                    raise
                self._news(str(error))
                await self._pause(_NEVER_S)
            except BrokerError as error:
                failures += 1
                self._news(f"{error}; trying again")
                if error.taken_over:  # a copy of this home folder somewhere: not under the same name, then
                    self._client_id = f"steadypoint-{self._device.name}-{secrets.token_hex(4)}"
                wait = wait_s(failures, random.random())  # noqa: S311 - it only spreads attempts
                if self._closing and time.monotonic() + wait - self._heard > patience_s:
                    raise self._not_all(f"{error}") from error
                await self._pause(wait)

    async def _pause(self, seconds: float) -> None:
        """Wait before the next attempt; not longer than until it is time to finish."""
        if self._closing:
            await asyncio.sleep(seconds)
            return
        with suppress(TimeoutError):
            async with asyncio.timeout(seconds):
                await self._finishing.wait()

    def _news(self, text: str) -> None:
        """Say it, unless it was the last thing said."""
        if text != self._said:
            self._said = text
            self._say(text)

    def _session(self) -> Session:
        will = aiomqtt.Will(topics.status(self._device.name), OFFLINE, qos=1, retain=True)
        return Session(self._client_id, expiry_s=_SESSION_S, will=will)

    async def _converse(self, client: aiomqtt.Client, patience_s: float) -> None:
        for way in self._ways.values():
            way.lines.interrupted()
            for photo in way.photos.values():
                photo.interrupted()
        name = self._device.name
        await client.subscribe([(topics.ack(name, "+"), 1), (topics.note(name), 1)])
        listening = asyncio.ensure_future(until_broken(client))
        self._unconfirmed = 0
        try:
            await self._pump(client, listening, patience_s)
            await client.publish(topics.status(name), OFFLINE, qos=1, retain=True)
        finally:
            listening.cancel()
            for task in self._publishing:
                task.cancel()
            await asyncio.gather(listening, *self._publishing, return_exceptions=True)
            self._publishing.clear()

    async def _pump(self, client: aiomqtt.Client, listening: "asyncio.Future[None]", patience_s: float) -> None:
        """Send what is due, until all is there or the connection ends."""
        self._look(client, everything=True)
        status_at = -_STATUS_EVERY_S
        standing: Standing | None = None
        while True:
            if listening.done():
                listening.result()
                raise BrokerError(f"broker {self._broker.address}: the connection ended")
            if self._tail.changed():
                self._look(client)
            if standing != self._standing or time.monotonic() - status_at > _STATUS_EVERY_S:
                standing, status_at = self._standing, time.monotonic()
                self._publish_status(client)
            self._send_due(client)
            if self._closing and self._ended(patience_s):
                return
            self._wake.clear()
            with suppress(TimeoutError):
                async with asyncio.timeout(_POLL_S):  # `wait_for` of Python 3.11 may swallow a cancellation
                    await self._wake.wait()

    def _ended(self, patience_s: float) -> bool:
        """Tell whether everything is there; raise where it will not be."""
        left = [way for way in self._ways.values() if not way.complete]
        if not left:
            return True
        if all(way.lines.given_up for way in left):
            raise self._not_all("")
        if time.monotonic() - self._heard > patience_s:
            raise self._not_all(f"the office has not answered for {patience_s:g} s; is it running on this broker?")
        return False

    def _not_all(self, why: str) -> NotAllThereError:
        left = [way for way in self._ways.values() if not way.complete]
        reasons = [f"job {way.job}: {way.lines.lost or way.lines.refused}" for way in left if way.lines.given_up]
        waiting = len(left) - len(reasons)
        text = [why] if why else []
        if waiting or not self._ways:
            text.append(f"{waiting} of {len(self._ways)} jobs are not acknowledged")
        return NotAllThereError("; ".join([*text, *reasons]) + ". Nothing is lost: the record keeps everything")

    # What the record says

    def _look(self, client: aiomqtt.Client, *, everything: bool = False) -> None:
        """Take over how far every job goes, and show the newest readings of the one that grows."""
        for head in self._tail.heads():
            way = self._ways.setdefault(head.job, _Way(head.job))
            if way.lines.seq != head.seq or way.lines.sealed != head.sealed:
                way.lines.grown(head.seq, head.sealed)
            before = self._seen.get(head.job)
            self._seen[head.job] = head.seq
            if before != head.seq and not (everything and before is None):
                with suppress(RecordError, ValueError):  # an altered line is for the office to refuse
                    self._show_newest(client, head, before or 0)

    def _show_newest(self, client: aiomqtt.Client, head: Head, before: int) -> None:
        first = max(before, head.seq - _NEWEST_LINES) + 1
        lines = self._tail.lines(head.job, first, _NEWEST_LINES, _PACK_BYTES)
        now = time.time_ns()
        fresh = [line for line in lines if now - int(line.utc_ns) < _LIVE_FOR_NS]
        if not fresh:
            return
        self._standing = self._standing.after(head.job, fresh)
        pack = live_pack(self._tail.job(head.job), fresh)
        if pack is not None and self._unconfirmed < _UNCONFIRMED_BYTES:
            self._publish(client, topics.live(self._device.name, head.job), pack, qos=0)

    def _publish_status(self, client: aiomqtt.Client) -> None:
        software = f"steadypoint {version('steadypoint')}"
        body = json.dumps(self._standing.as_json(time.time_ns(), battery(), software)).encode()
        self._publish(client, topics.status(self._device.name), body, retain=True)

    # What is sent

    def _send_due(self, client: aiomqtt.Client) -> None:
        """Send in the order of the jobs, the newest first: what happens now goes before what happened then."""
        now, busy = time.monotonic_ns(), 0
        for way in list(self._ways.values()):
            if way.complete or way.lines.lost is not None:
                continue
            if self._unconfirmed >= _UNCONFIRMED_BYTES or busy >= _JOBS_AT_ONCE:
                return
            busy += not way.lines.given_up
            self._send_lines(client, way, now)
            if way.lines.complete:
                self._send_photos(client, way, now)

    def _send_lines(self, client: aiomqtt.Client, way: _Way, now_ns: int) -> None:
        while self._unconfirmed < _UNCONFIRMED_BYTES:
            match way.lines.due(now_ns):
                case Ask(run):
                    data = write_pack(self._tail.job(way.job), None, ())
                    way.lines.asked()
                case Send(run, first, sealed):
                    try:
                        data = self._packed(way, first, sealed)
                    except (RecordError, ValueError) as error:  # a line that was altered may be no text any more
                        way.lines.lost = f"it cannot be sent ({error}); see: steadypoint verify {way.job}"
                        self._tell_trouble(way)
                        return
                case _:
                    self._tell_trouble(way)
                    return
            self._publish(client, topics.log(self._device.name, way.job), data, run=run, way=way)

    def _packed(self, way: _Way, first: int, sealed: int) -> bytes:
        job = self._tail.job(way.job)
        lines: list[Line] = []
        if first <= way.lines.seq:
            lines = self._tail.lines(way.job, max(first, 1), _PACK_LINES, _PACK_BYTES)
            lines = [line for line in lines if line.seq <= way.lines.seq]
        last = lines[-1].seq if lines else first - 1 if first else 0
        up_to = min(last, way.lines.sealed)
        seals = self._tail.seals(way.job, sealed, up_to) if up_to > sealed else []
        way.lines.sent(last, up_to)
        return write_pack(job, written_job(job) if first == 0 else None, lines, seals)

    def _send_photos(self, client: aiomqtt.Client, way: _Way, now_ns: int) -> None:
        if way.looked_up_to < way.lines.seq:
            for photo in photos_of(self._tail.photo_notes(way.job, way.looked_up_to)):
                way.photos.setdefault(photo.sha256, photo)
            way.looked_up_to = way.lines.seq
        for photo in way.photos.values():
            part = photo.due(now_ns)
            if part is None:
                continue
            data = b""
            if part >= 0:
                try:
                    with photo_path(self._device.folder, photo.sha256).open("rb") as file:
                        file.seek(part * PHOTO_PART)
                        data = file.read(PHOTO_PART)
                except (OSError, RecordError):
                    photo.missing = True
                    self._news(f"job {way.job}: a photo is not in this record's folder, and cannot be sent")
                    continue
            message = write_photo_part(PhotoPart(photo.sha256, max(part, 0), data))
            self._publish(client, topics.log(self._device.name, way.job), message)
            return

    def _publish(
        self,
        client: aiomqtt.Client,
        topic: str,
        data: bytes,
        *,
        qos: int = 1,
        retain: bool = False,
        run: int | None = None,
        way: _Way | None = None,
    ) -> None:
        """Hand a message over; it goes out in the order of the calls."""
        properties = correlated(b"" if run is None else f"{self._boot}-{run}".encode())

        async def publish() -> None:
            try:
                await client.publish(topic, data, qos=qos, retain=retain, properties=properties, timeout=float("inf"))
            finally:
                self._unconfirmed -= len(data)
                self._wake.set()
            if way is not None and run is not None:
                way.lines.delivered(run, time.monotonic_ns())

        self._unconfirmed += len(data)
        task = asyncio.ensure_future(publish())
        self._publishing.add(task)
        task.add_done_callback(self._published)

    def _published(self, task: asyncio.Task[None]) -> None:
        self._publishing.discard(task)
        if not task.cancelled():
            task.exception()  # looked at: a connection that broke is noticed where it is listened to

    # What the office says

    def _hear(self, message: aiomqtt.Message) -> None:
        data, topic = message.payload, message.topic.value
        if topic == topics.note(self._device.name):
            if trouble := put_note(self._device.folder, data):
                self._news(trouble)
        elif (ack := read_ack(data)) is not None:
            self._take(topics.acknowledged_job(topic), ack, correlation_of(message))
            self._wake.set()

    def _take(self, job: str, ack: Ack, correlation: bytes) -> None:
        way = self._ways.get(job)
        if way is None:
            return
        self._heard = time.monotonic()
        for sha256, there in (ack.photos or {}).items():
            if sha256 in way.photos:
                way.photos[sha256].took(there)
        boot, _, run = correlation.decode("ascii", "replace").partition("-")
        number = int(run) if boot == self._boot and run.isdigit() else -1
        here = self._tail.hash_at(job, ack.seq) if ack.seq >= 0 else None
        way.lines.took(ack, number, here, time.monotonic_ns())
        self._tell_trouble(way)

    def _tell_trouble(self, way: _Way) -> None:
        trouble = way.lines.lost or way.lines.refused
        if trouble != way.told:
            way.told = trouble
            if trouble:
                self._say(f"job {way.job} is not taken in: {trouble}")


async def relaying(
    folder: Path,
    store: Store,
    public_key: str,
    broker: Broker,
    say: Say,
    *,
    once: bool,
    patience_s: float,
    on_start: Callable[[Callable[[], None]], None] = lambda finish: None,
) -> None:
    """Run the relay of one home folder; see `Relay.run`.

    Args:
        folder: the home folder.
        store: its record, for the relay alone.
        public_key: this device's, in hex.
        broker: where to send.
        say: tells the user news.
        once: end when all is acknowledged.
        patience_s: how long the office may say nothing then, in seconds.
        on_start: gets what makes the relay go on as with `once`.
    """
    device = this_device(folder, broker.user, public_key)
    with Tail(store, public_key) as tail:
        relay = Relay(device, tail, broker, say)
        on_start(relay.finish)
        await relay.run(once=once, patience_s=patience_s)
