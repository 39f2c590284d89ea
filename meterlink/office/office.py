"""One office process: takes messages from the broker, has them taken in, and answers.

What comes faster than it can be taken in waits in a bounded queue, and is dropped where that is full: no crew counts a
line as there before the office itself says so, and sends it again.
"""

import asyncio
import math
import os
import queue
import random
import secrets
import time
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from dataclasses import dataclass

import aiomqtt

from meterlink.errors import MeterlinkError, RefusedRowError
from meterlink.office.feed import Feed
from meterlink.office.intake import Answer, Came, Intake, Outcome
from meterlink.office.notes import Postbox
from meterlink.office.reader import Reader
from meterlink.relay import topics
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
from meterlink.relay.patience import wait_s
from meterlink.relay.topics import SHARE, FromCrew

_GROUP, _GROUP_BYTES = 400, 4 * 1024 * 1024
"""So much shares one transaction at most: a commit costs the disk the same for one line and for ten thousand."""
_WAITING, _WAITING_BYTES = 4000, 64 * 1024 * 1024
"""So much waits at most."""
_LINGER_S, _WORTH_IT = 0.05, 64 * 1024
"""So long a message waits for others, unless so many bytes are there at once: a commit for each of many crews would
cost more than their lines."""
_READ, _READ_BYTES = 100, 256 * 1024
"""So much is read at once: while the database is at work on a group, the next is read, a part after the other."""
_PARTS = 16
"""So many parts wait, read, for the database."""
_AGAIN_S = 0.05
_AFTER_TROUBLE_S = 1.0
_STORE_IN_TROUBLE = 3
"""So many messages that cannot be taken in one after the other are not their own fault; all of them come again."""
_ANSWERS_AT_ONCE = 50
"""So many may be on their way: aiomqtt goes through all of them for each that is sent."""
_CORRELATION = 64
"""Bytes of correlation data that are sent back."""
_NOTES_EVERY_S = 0.5

Say = Callable[[str], None]
_Heard = tuple[FromCrew, bytes, bytes, float]
"""A message as it was heard: where it belongs, its payload, its correlation data, when."""


@dataclass(slots=True)
class Counts:
    """What an office process has done since it started."""

    messages: int = 0
    events: int = 0
    refused: int = 0
    dropped: int = 0
    """Messages that found the queue full; they come again."""


class Office:
    """One process of the office."""

    def __init__(self, intake: Intake, broker: Broker, feed: Feed, postbox: Postbox, say: Say) -> None:
        """Prepare to take in.

        Args:
            intake: takes into the store.
            broker: where the crews publish.
            feed: is told what changed.
            postbox: holds notes to the crews.
            say: tells the user news, a sentence each.
        """
        self._intake, self._broker, self._feed, self._postbox, self._say = intake, broker, feed, postbox, say
        self._reader = Reader()
        self._raw: queue.SimpleQueue[_Heard | None] = queue.SimpleQueue()
        self._parts: queue.Queue[list[Came] | None] = queue.Queue(maxsize=_PARTS)
        self._bytes_heard = self._bytes_read = self._bytes_taken = 0
        """Each is counted by one thread alone; what waits is the difference."""
        self._answers: dict[tuple[str, str, bytes], Answer] = {}
        """What is to be told; a newer word on the same run of a job takes the place of one that still waits."""
        self._answered = asyncio.Event()
        self._sending: set[asyncio.Future[None]] = set()
        self._loop = asyncio.get_running_loop()
        self._said: str | None = None
        self.counts = Counts()

    async def run(self, ready: Callable[[], None] = lambda: None) -> None:
        """Take in until cancelled; a broker that goes away is waited for.

        Args:
            ready: called whenever the crews can be heard.
        """
        ignore_closed_sockets()
        with self._reader, ThreadPoolExecutor(2, "intake") as pool:
            workers = [self._loop.run_in_executor(pool, each) for each in (self._read, self._work)]
            serving = asyncio.ensure_future(self._keep_serving(ready))
            try:
                await asyncio.wait([serving, *workers], return_when=asyncio.FIRST_COMPLETED)
            finally:
                serving.cancel()
                self._raw.put(None)
                ended = await asyncio.gather(*workers, serving, return_exceptions=True)
            # Where one worker fails, the other comes to its end first.
            raise next((each for each in ended if isinstance(each, Exception)), RuntimeError("it ended unasked"))

    async def _keep_serving(self, ready: Callable[[], None]) -> None:
        failures = 0
        while True:
            try:
                async with connected(self._broker, self._session(), self._hear) as client:
                    failures = 0
                    await self._serve(client, ready)
            except (BrokerError, NotLetInError) as error:
                failures += 1
                self._news(f"{error}; trying again")
                await asyncio.sleep(wait_s(failures, random.random()))  # noqa: S311 - it only spreads attempts

    def _session(self) -> Session:
        # Nothing is to be kept for a process that is gone: the crews send again what it did not answer.
        name = f"steadypoint-office-{os.getpid()}-{secrets.token_hex(4)}"
        return Session(name, receive_maximum=500)

    def _news(self, text: str) -> None:
        if text != self._said:
            self._said = text
            self._say(text)

    async def _serve(self, client: aiomqtt.Client, ready: Callable[[], None]) -> None:
        share = self._broker.share or SHARE
        await client.subscribe([(topics.every_log(share), 1), (topics.EVERY_STATUS, 1), (topics.EVERY_LIVE, 0)])
        self._news(f"taking in from {self._broker.address}")
        ready()
        tasks = [asyncio.ensure_future(each(client)) for each in (until_broken, self._answer, self._send_notes)]
        try:
            done, _ = await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
            for task in done:
                task.result()
        finally:
            pending = [*tasks, *self._sending]
            for each in pending:
                each.cancel()
            await asyncio.gather(*pending, return_exceptions=True)
            self._sending.clear()

    def _hear(self, message: aiomqtt.Message) -> None:
        crew, data = topics.from_crew(message.topic.value), message.payload
        if crew is None:
            return
        if crew.about == "live":
            self._feed.show(crew, data)
            return
        if crew.about == "status":
            self._postbox.seen(crew.device)
        self.counts.messages += 1
        if self._raw.qsize() >= _WAITING or self._bytes_heard - self._bytes_taken > _WAITING_BYTES:
            self.counts.dropped += 1
            return
        self._bytes_heard += len(data)
        self._raw.put((crew, data, correlation_of(message)[:_CORRELATION], time.monotonic()))

    async def _answer(self, client: aiomqtt.Client) -> None:
        while True:
            if not self._answers:
                self._answered.clear()
                await self._answered.wait()
                continue  # there may be news without an answer
            if len(self._sending) >= _ANSWERS_AT_ONCE:
                await asyncio.wait(self._sending, return_when=asyncio.FIRST_COMPLETED)
                continue
            answer = self._answers.pop(next(iter(self._answers)))
            # Whether the broker has it is not waited for: a crew that hears nothing asks.
            sending = asyncio.ensure_future(
                client.publish(
                    topics.ack(answer.device, answer.job),
                    answer.ack.write(),
                    qos=1,
                    properties=correlated(answer.correlation),
                    timeout=math.inf,
                )
            )
            self._sending.add(sending)
            sending.add_done_callback(self._sent)

    async def _send_notes(self, client: aiomqtt.Client) -> None:
        while True:
            try:
                due = await asyncio.to_thread(self._postbox.due, time.monotonic())
            except MeterlinkError as error:  # the store is away for a moment
                self._news(str(error))
                due = ()
            for device, note in due:
                await client.publish(topics.note(device), note.write(), qos=1)
            await asyncio.sleep(_NOTES_EVERY_S)

    def _sent(self, sending: asyncio.Future[None]) -> None:
        self._sending.discard(sending)
        if not sending.cancelled():
            sending.exception()  # looked at: a connection that broke is noticed where it is listened to

    # Two threads: while the database is at work on what one took in, the other reads what came. They are handed many
    # messages at once: a thread that is woken for each takes turns with the network's for nothing.

    def _read(self) -> None:
        try:
            while (first := self._raw.get()) is not None:
                if self._bytes_heard - self._bytes_read < _WORTH_IT:
                    time.sleep(_LINGER_S)
                heard, goes_on = self._drained(first)
                found = iter(self._reader.read([data for crew, data, _, _ in heard if crew.about == "log"]))
                self._parts.put([Came(*each, next(found) if each[0].about == "log" else None) for each in heard])
                if not goes_on:
                    break
        finally:
            self._parts.put(None)

    def _drained(self, first: _Heard) -> tuple[list[_Heard], bool]:
        """Return what is there, up to a bound, and whether more is to come."""
        heard, size, next_one = [], 0, first
        while True:
            heard.append(next_one)
            size += len(next_one[1])
            self._bytes_read += len(next_one[1])
            if len(heard) >= _READ or size >= _READ_BYTES:
                return heard, True
            try:
                more = self._raw.get_nowait()
            except queue.Empty:
                return heard, True
            if more is None:
                return heard, False
            next_one = more

    def _work(self) -> None:
        early: Sequence[Came] = ()
        goes_on = True
        try:
            while goes_on:
                group, goes_on = self._group(wait_s=_AGAIN_S if early else None)
                outcome = self._taken([*early, *group])
                self._bytes_taken += sum(len(came.data) for came in group)
                early = outcome.early
                self._loop.call_soon_threadsafe(self._took, outcome)
        except BaseException:
            if goes_on:
                self._have_reading_end()
            raise

    def _have_reading_end(self) -> None:
        """Let the thread that reads come to its end, which may wait for room; what it has comes again."""
        with suppress(queue.Empty):
            while True:
                self._raw.get_nowait()
        self._raw.put(None)
        while self._parts.get() is not None:
            pass

    def _group(self, wait_s: float | None) -> tuple[list[Came], bool]:
        """Return what is read, up to a bound, and whether more is to come."""
        group: list[Came] = []
        with suppress(queue.Empty):
            part = self._parts.get(timeout=wait_s)
            while part is not None:
                group += part
                if len(group) >= _GROUP or sum(len(came.data) for came in group) >= _GROUP_BYTES:
                    return group, True
                part = self._parts.get_nowait()
            return group, False
        return group, True

    def _taken(self, group: Sequence[Came]) -> Outcome:
        """Have a group taken in; where that fails, each by itself, so that one cannot hold up the others."""
        try:
            return self._intake.take(group)
        except MeterlinkError as error:
            self._tell(str(error))
            if not isinstance(error, RefusedRowError):
                time.sleep(_AFTER_TROUBLE_S)
        except Exception as error:
            self._tell(f"a group of messages cannot be taken in ({error!r}); each is tried by itself")
        whole, failed = Outcome([], [], changed=False), 0
        for came in group:
            try:
                whole.add(self._alone(came))
                failed = 0
            except MeterlinkError:  # it comes again
                failed += 1
            if failed == _STORE_IN_TROUBLE:
                break
        return whole

    def _alone(self, came: Came) -> Outcome:
        """Take one in, or keep it aside where it is its own fault that it cannot be."""
        try:
            return self._intake.take([came])
        except RefusedRowError:
            return self._intake.put_aside(came, "malformed: no record can hold what is in it")
        except MeterlinkError:
            raise
        except Exception as error:  # nothing that a stranger sends ends the office
            return self._intake.put_aside(came, f"malformed: it cannot be taken in ({type(error).__name__})")

    def _tell(self, news: str) -> None:
        """Tell the user, from one of the two threads."""
        self._loop.call_soon_threadsafe(self._news, news)

    def _took(self, outcome: Outcome) -> None:
        self.counts.events += outcome.events
        self.counts.refused += outcome.refused
        for answer in outcome.answers:
            self._answers[answer.device, answer.job, answer.correlation] = answer
        self._answered.set()
        if outcome.changed:
            self._feed.wake()
