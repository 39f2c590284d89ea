"""An office under test: a real broker, the office with its page in a process of its own, and technicians at work."""

import asyncio
import struct
import threading
import time
import zlib
from collections.abc import Callable
from concurrent.futures import Future
from dataclasses import replace
from decimal import Decimal
from pathlib import Path
from typing import Self

from brokers import BadNetwork, Mosquitto
from known_meter import known_meter
from meterlink.inbox import OfficeNote, mark_taken
from meterlink.instrument import Calibration
from meterlink.note import Note
from meterlink.outcome import Answer, Break, Gap, Input, Json
from meterlink.prepared import Prepared, prepare
from meterlink.procedure.load import load_procedure
from meterlink.procedure.model import MeasuredStep
from meterlink.reading import Flag, Function, Instant, Reading
from meterlink.record.device_key import device_key
from meterlink.record.photos import keep_photo
from meterlink.record.store import Store
from meterlink.relay.address import parse_address
from meterlink.relay.broker import Broker
from meterlink.relay.relay import relaying
from meterlink.session import Particulars, Session
from page_bench import Served
from waiting import PATIENCE_S

APART_NS = 200_000_000
"""Between two readings of the check's time."""


class Technician:
    """A check that is run by hand, in the test's own process: what is stored of it is what any check would store."""

    def __init__(
        self,
        folder: Path,
        lift: str,
        prepared: Prepared | None = None,
        *,
        operator: str | None = None,
        overdue: bool = False,
        real_time: bool = False,
    ) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self.folder, self.name = folder, folder.name
        self._store, self.key = Store.open(folder), device_key(folder)
        self._ns, self._real_time, self._began_ns = 0, real_time, time.monotonic_ns()
        meter = known_meter()
        if overdue:
            meter = replace(meter, calibration=Calibration.OVERDUE, due="2026-03-31")
        self.session = Session.begin(
            self._store,
            prepared or prepare(load_procedure("start-up")),
            "tcp:meter",
            meter,
            about=Particulars(lift=lift, operator=operator),
            signer=self.key,
        )
        self.job = self.session.job

    @property
    def _now(self) -> Instant:
        self._ns = time.monotonic_ns() - self._began_ns if self._real_time else self._ns + APART_NS
        return Instant(self._ns, time.time_ns())

    def show(
        self, display: str, updates: int = 1, *flags: Flag, function: Function = Function.DC_VOLTAGE
    ) -> list[Json]:
        """The display shows that many updates of one value."""
        said: list[Json] = []
        for _ in range(updates):
            shown = Reading(display, function.unit, function, self._now, flags=frozenset(flags), raw=b"\x00")
            said += self.session.take(shown)
        return said

    def touch(self, display: str, updates: int = 8) -> list[Json]:
        """Lift the probes for long enough to be seen, then touch a point that shows this."""
        said = self.show("0.001", 6)
        for _ in range(updates):
            said += self.show(display)
            if any(each["event"] == "verdict" for each in said):
                break
        return said

    def answer(self, answer: Answer = Answer.CONFIRM) -> list[Json]:
        self.show("0.001", 3)  # an answer right behind another is taken for the same
        return self.session.take(Input(answer, self._now))

    def pass_step(self) -> None:
        """Do what is asked, with a reading in the middle of its limits."""
        engine = self.session.engine
        step = engine.step
        if not isinstance(step, MeasuredStep):
            self.answer()
            return
        limits = engine.limits()
        low, high = (limits.low, limits.high) if limits else (None, None)
        middle = (low + high) / 2 if low is not None and high is not None else high or low or Decimal(0)
        self.touch(f"{middle:.2f}")
        if engine.step is step:
            self.answer()

    def pass_to(self, wanted: Callable[[str], bool], most: int = 60) -> None:
        """Pass steps until one of a wanted point is asked for."""
        for _ in range(most):
            if wanted(self.session.engine.step.point):
                return
            self.pass_step()
        raise AssertionError("that point is never asked for")

    def dead(self, display: str = "0.002") -> None:
        """Find a point dead, and confirm it."""
        self.touch(display)
        self.session.take(Input(Answer.CONFIRM, self._now))
        self.show(display, 3)

    def break_link(self, reason: Break = Break.LINK_LOST) -> None:
        self.session.take(Gap(self._now, reason))

    def note(self, text: str, picture: bytes | None = None) -> None:
        photo = keep_photo(self.folder, picture, "terminal.png", "image/png") if picture else None
        self.session.take(Note(text, "technician", self._now, photo))

    def leave(self) -> None:
        self.session.close(Break.INTERRUPTED)

    def close(self) -> None:
        self._store.close()


class Relays:
    """The relays of technicians, each with a connection of its own, in a thread that is theirs."""

    def __init__(self, broker: Mosquitto) -> None:
        self._port = broker.port
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._loop.run_forever, daemon=True)
        self._ends: dict[str, asyncio.Event] = {}
        self._networks: dict[str, BadNetwork] = {}
        self._running: list[Future[None]] = []
        self._thread.start()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        for end in self._ends.values():
            self._loop.call_soon_threadsafe(end.set)
        for running in self._running:
            running.result(60)
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join(PATIENCE_S)
        self._loop.close()

    def start(self, technician: Technician) -> None:
        """Let this one's record go to the office."""
        end = self._ends[technician.name] = asyncio.Event()
        self._running.append(asyncio.run_coroutine_threadsafe(self._relay(technician, end), self._loop))

    def cut_off(self, name: str) -> None:
        """Take a crew's network away, as a tunnel does: its last will says so."""

        async def cut() -> None:
            self._networks[name].swallow()
            self._networks[name].cut()

        asyncio.run_coroutine_threadsafe(cut(), self._loop).result(20)

    def give_back(self, name: str) -> None:
        """Give a crew its network back."""
        self._loop.call_soon_threadsafe(self._networks[name].heal)

    async def _relay(self, technician: Technician, end: asyncio.Event) -> None:
        async with BadNetwork(self._port) as network:
            self._networks[technician.name] = network
            broker = Broker(parse_address(network.url, insecure=False), user=technician.name)
            public = technician.key.public_key.hex()
            with Store.open(technician.folder) as store:
                relay = relaying(technician.folder, store, public, broker, lambda news: None, once=False, patience_s=60)
                tasks = [asyncio.ensure_future(relay), asyncio.ensure_future(end.wait())]
                await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
                for task in tasks:
                    task.cancel()
                await asyncio.gather(*tasks, return_exceptions=True)


class Office(Served):
    """`steadypoint office` with its page."""

    def __init__(self, home: Path, broker: Mosquitto, *options: str, port: int = 0, store: str | None = None) -> None:
        home.mkdir(exist_ok=True)
        more = ("--store", store, *options) if store else options
        super().__init__(home, "office", "--broker", broker.url, "--port", str(port), *more)


def picture() -> bytes:
    """A small grey PNG, made here."""
    rows = b"".join(b"\0" + bytes((x * 2 + y) % 256 for x in range(120)) for y in range(80))
    chunks = (
        (b"IHDR", struct.pack(">IIBBBBB", 120, 80, 8, 0, 0, 0, 0)),
        (b"IDAT", zlib.compress(rows)),
        (b"IEND", b""),
    )
    body = b"".join(struct.pack(">I", len(d)) + k + d + struct.pack(">I", zlib.crc32(k + d)) for k, d in chunks)
    return b"\x89PNG\r\n\x1a\n" + body


def heard_note(crew: Technician, note: OfficeNote) -> None:
    """Keep a note in the job's log, as the check does that speaks it."""
    crew.session.take(Note(note.text, note.by, crew.session.last, sent=note.id))
    mark_taken(crew.folder, note)
