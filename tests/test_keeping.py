"""Keeping the link for real: cables pulled and plugged in under another name, meters that switch themselves off."""

import asyncio
import json
import os
import select
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import pytest

from meterlink import link as link_module
from meterlink.driver import Device
from meterlink.errors import LinkError
from meterlink.keeper import News
from meterlink.link import Link, open_link, start_clock
from meterlink.outcome import Break, Gap
from meterlink.reading import Reading
from meterlink.registry import load_transport
from meterlink_sim.encoders.fs9721_lcd14 import encode
from meterlink_sim.peer import Habits, SimulatedMeter, counting
from meterlink_sim.tcp_front import TcpFront
from meterlink_sim.wires import WIRES

if sys.platform == "win32":
    pytest.skip("pseudo-terminals are POSIX", allow_module_level=True)

from meterlink_sim.pty_front import PtyFront
from pty_meter import Pty
from waiting import PATIENCE_S

FORMAT = "format=fs9721-lcd14"
USUAL = Habits()


def counter(habits: Habits = USUAL) -> SimulatedMeter:
    return SimulatedMeter(WIRES["fs9721-lcd14"], counting(WIRES["fs9721-lcd14"].sample, habits.rate), habits)


class Heard:
    """All that a link gives out."""

    def __init__(self, link: Link) -> None:
        self._link = link
        self.readings: list[Reading] = []
        self.gaps: list[Break] = []
        self.news: list[str] = []

    async def until(self, reached: Callable[[], bool]) -> None:
        async with asyncio.timeout(PATIENCE_S):
            while not reached():
                item = await anext(self._link)
                match item:
                    case Reading():
                        self.readings.append(item)
                    case Gap(_, reason):
                        self.gaps.append(reason)
                    case News(text):
                        self.news.append(text)

    async def more(self, count: int) -> None:
        wanted = len(self.readings) + count
        await self.until(lambda: len(self.readings) >= wanted)

    def in_order(self) -> bool:
        """Whether no reading came twice or late; the digits count."""
        values = [reading.value for reading in self.readings]
        return all(one is not None and other is not None and one < other for one, other in pairwise(values))


async def test_a_cable_that_comes_back_under_another_name_is_found_by_its_lasting_one(tmp_path: Path) -> None:
    lasting = tmp_path / "usb-adapter-if00"
    with PtyFront(counter(), link=lasting) as front:
        async with open_link(f"serial:{lasting}?{FORMAT}", start_clock()) as link:
            heard = Heard(link)
            await heard.more(3)
            first = front.name
            await asyncio.to_thread(front.unplug)
            await heard.until(lambda: Break.LINK_LOST in heard.gaps)
            await heard.until(lambda: any("is absent" in text for text in heard.news))
            await asyncio.to_thread(front.replug)
            assert front.name != first
            await heard.more(3)
    assert heard.gaps == [Break.LINK_LOST, Break.LINK_BACK]
    assert heard.in_order()


class Ports:
    """The ports of a machine, as the operating system would list them: identity to name."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, **names: str) -> None:
        self.names = names
        serial = load_transport("serial")

        async def find() -> list[Device]:
            return [Device(identity, f"serial:{name}") for identity, name in self.names.items()]

        async def identity(address: str) -> str:
            for identity, name in self.names.items():
                if name == address:
                    return identity
            raise LinkError("mine is absent")

        changed = replace(serial, find=find, identity=identity)
        monkeypatch.setattr(link_module, "load_transport", lambda scheme: changed)


async def test_an_adapter_is_found_by_its_identity_and_no_other_takes_its_place(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    with Pty() as mine, Pty() as other, Pty() as again:
        ports = Ports(monkeypatch, mine=mine.name, other=other.name)
        async with open_link(f"serial:{mine.name}?{FORMAT}", start_clock()) as link:
            heard = Heard(link)
            mine.send(shown("24.01"))
            await heard.more(1)
            mine.unplug()
            ports.names = {"other": other.name}
            await heard.until(lambda: any("mine is absent" in text for text in heard.news))
            other.send(shown("11.11"))
            ports.names = {"other": other.name, "mine": again.name}
            await heard.until(lambda: any(again.name in text for text in heard.news))
            again.send(shown("24.02"))
            await asyncio.sleep(0.3)
            again.send(shown("24.03"))
            await heard.more(1)
    assert [reading.display for reading in heard.readings] == ["24.01", "24.03"]
    assert heard.gaps == [Break.LINK_LOST, Break.LINK_BACK]


def shown(display: str) -> bytes:
    return encode(Reading(display, "V", WIRES["fs9721-lcd14"].sample.function, WIRES["fs9721-lcd14"].sample.at))


async def test_halves_on_both_sides_of_a_break_make_no_reading(tmp_path: Path) -> None:
    lasting = tmp_path / "port"
    with Pty() as first, Pty() as second:
        lasting.symlink_to(first.name)
        async with open_link(f"serial:{lasting}?{FORMAT}", start_clock()) as link:
            heard = Heard(link)
            first.send(shown("24.01") + shown("12.34")[:7])
            await heard.more(1)
            first.unplug()
            lasting.unlink()
            lasting.symlink_to(second.name)
            await heard.until(lambda: len([text for text in heard.news if text.startswith("opened")]) == 2)
            second.send(shown("12.35")[7:])
            for display in ("24.02", "24.03"):
                await asyncio.sleep(0.3)
                second.send(shown(display))
            await heard.more(1)
    assert [reading.display for reading in heard.readings] == ["24.01", "24.03"]


async def test_a_meter_that_switches_itself_off_is_told_and_heard_again_by_itself() -> None:
    meter = counter(Habits(rate=5, off_after=1.5))
    with PtyFront(meter) as front:
        async with open_link(f"{front.where}?{FORMAT}", start_clock()) as link:
            heard = Heard(link)
            await asyncio.to_thread(front.press_key)  # its 1.5 s begin anew
            await heard.until(lambda: Break.SILENT in heard.gaps)
            count = len(heard.readings)
            await asyncio.to_thread(front.press_key)
            await heard.until(lambda: Break.HEARD_AGAIN in heard.gaps)
    assert count >= 4
    assert heard.gaps == [Break.SILENT, Break.HEARD_AGAIN]


async def test_a_connection_that_is_cut_is_opened_again() -> None:
    with TcpFront(counter(Habits(rate=10))) as front:
        async with open_link(f"{front.where}?{FORMAT}", start_clock()) as link:
            heard = Heard(link)
            for cuts in range(1, 4):
                await heard.more(3)
                await asyncio.to_thread(front.cut)
                await heard.until(lambda: heard.gaps.count(Break.LINK_BACK) == cuts)  # noqa: B023 - asked at once
            await heard.more(3)
    assert heard.gaps == [Break.LINK_LOST, Break.LINK_BACK] * 3
    assert heard.in_order()


PROCEDURE = """
procedure: one-point
title: One point
revision: 1
cautions: [Only trained people.]
steps:
  - {id: bank, kind: reading, point: "G1:+", reference: earth bar, measure: dc-voltage, limits: 22.0..29.0 V}
"""


def test_a_touch_never_spans_a_break_and_the_check_goes_on_by_itself(tmp_path: Path) -> None:
    procedure, lasting = tmp_path / "one.yaml", tmp_path / "port"
    procedure.write_text(PROCEDURE, encoding="utf-8")
    environment = {**os.environ, "STEADYPOINT_HOME": str(tmp_path / "home")}
    command = [sys.executable, "-m", "meterlink", "check", str(procedure), "--accept-cautions", "--json"]
    events: list[dict[str, object]] = []
    with Pty() as first, Pty() as second:
        lasting.symlink_to(first.name)
        with subprocess.Popen(
            [*command, "--meter", f"serial:{lasting}?{FORMAT}"], env=environment, stdout=subprocess.PIPE, bufsize=0
        ) as check:
            assert check.stdout is not None

            def told(event: str, code: str | None = None) -> bool:
                if check.stdout is not None and ready(check):
                    events.append(json.loads(check.stdout.readline()))
                return bool(events) and (events[-1]["event"], events[-1].get("code")) == (event, code)

            try:
                while not told("cue", "probe"):
                    pass
                first.send(shown("24.01"))
                time.sleep(0.8)
                first.send(shown("24.01"))  # two readings of a touch: one too few for a verdict
                time.sleep(0.8)
                first.unplug()
                lasting.unlink()
                while not told("cue", "link-lost"):
                    pass
                lasting.symlink_to(second.name)
                while not told("verdict"):
                    second.send(shown("24.02"))
                    time.sleep(0.1)
                assert check.wait(PATIENCE_S) == 0
            finally:
                check.kill()
    codes = [event["code"] for event in events if event["event"] == "cue"]
    assert codes == ["probe", "meter", "link-lost", "link-back", "probe"]
    touches = [event for event in events if event["event"] == "touch"]
    assert [touch["outcome"] for touch in touches] == ["unsteady"]  # what was begun before the break came to nothing
    assert events[-1]["value"] == "24.02"


def ready(process: subprocess.Popen[bytes]) -> bool:
    assert process.stdout is not None
    return bool(select.select([process.stdout], [], [], 0.3)[0])
