"""Finding out what a meter speaks: where it is listened to, what is asked, what is said; with simulated meters."""

import asyncio
from collections.abc import AsyncIterator, Callable, Mapping
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from frames import VOLTS_24, vectors
from identify_peers import NOTHING, ONE_OF, RIGHT, WRONG, identified, verdict
from meterlink.driver import Chunk, Clock, GattPlace, LineSettings, MeterUrl, Transport, parse_meter_url
from meterlink.errors import LinkError, UsageError
from meterlink.find_words import explanation, finding_json, short_words
from meterlink.finder import identify
from meterlink.found import Finding
from meterlink.link import start_clock
from meterlink.profiles import load_profile
from meterlink.registry import load_format
from meterlink_drivers.transports.serial_port import TRANSPORT as SERIAL
from meterlink_sim.peer import Habits, SimulatedMeter
from meterlink_sim.pty_front import PtyFront
from meterlink_sim.rfc2217_front import Rfc2217Front
from meterlink_sim.wires import WIRES
from pty_meter import Pty

ES_SLOW = vectors("es519xx-2400-11")[0].data
BASE = "-0000-1000-8000-00805f9b34fb"


@pytest.fixture(autouse=True)
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("STEADYPOINT_HOME", str(tmp_path))
    return tmp_path


@dataclass
class Bench:
    """A transport whose far end is a function of the line settings, and a log of what was done to it."""

    sends: Callable[[LineSettings], bytes]
    """What comes every 20 ms at these settings."""
    answers: Callable[[LineSettings, bytes], bytes] = lambda line, question: b""
    options: Mapping[str, str] = field(default_factory=lambda: dict.fromkeys(("baud", "dtr", "rts"), ""))
    opened: list[LineSettings] = field(default_factory=list)
    asked: list[bytes] = field(default_factory=list)

    @asynccontextmanager
    async def open(self, url: MeterUrl, line: LineSettings, clock: Clock) -> AsyncIterator["_Connection"]:
        self.opened.append(line)
        yield _Connection(self, line, clock)

    async def find_out(self, address: str = "script:here", listen_s: float = 0.6) -> Finding:
        transport = Transport("script", "a test's", self.open, self.options)
        return await identify(parse_meter_url(address), transport, start_clock(), lambda what: None, listen_s=listen_s)


class _Connection:
    def __init__(self, bench: Bench, line: LineSettings, clock: Clock) -> None:
        self._bench, self._line, self._clock = bench, line, clock
        self._answers: asyncio.Queue[bytes] = asyncio.Queue()

    async def read(self) -> Chunk | None:
        if data := self._bench.sends(self._line):
            await asyncio.sleep(0.02)
        else:
            data = await self._answers.get()
        return Chunk(data, self._clock())

    async def write(self, data: bytes) -> None:
        self._bench.asked.append(data)
        if answer := self._bench.answers(self._line, data):
            self._answers.put_nowait(answer)

    def hear(self, announcement: Mapping[str, object]) -> None:
        """Nobody listens."""


def at_speed(baud: int, data: bytes, junk: bytes = b"\x00\xf8") -> Callable[[LineSettings], bytes]:
    """A meter that is heard at one speed and is junk at every other."""
    return lambda line: data if abs(line.baud - baud) < 100 else junk


# On a line whose settings count


async def test_listening_stops_at_the_first_speed_that_explains_what_comes() -> None:
    bench = Bench(at_speed(9600, vectors("stx-ascii16")[0].data))
    finding = await bench.find_out()
    assert [(line.baud, line.parity, line.dtr, line.rts) for line in bench.opened] == [
        (baud, "N", True, False) for baud in (2400, 19200, 9600)
    ]
    assert [each.format for each in finding.formats] == ["stx-ascii16"]
    assert finding.profile is not None
    assert bench.asked == []  # a meter that talks is never asked


async def test_the_speed_decides_between_parts_of_the_same_bytes_once_it_is_seen_to_count() -> None:
    bench = Bench(at_speed(2400, ES_SLOW * 2))
    finding = await bench.find_out()
    assert [each.format for each in finding.formats] == ["es519xx-2400-11"]
    assert [line.baud for line in bench.opened] == [2400, 19230]  # the second is the proof
    assert [profile.profile for profile in finding.profiles] == ["es519xx-4000"]
    assert finding.profile is None  # what is not decoded here sends such bytes too: the user has to say
    assert any("ES51960" in line for line in explanation(finding))


async def test_where_the_speed_has_no_effect_it_decides_nothing() -> None:
    finding = await Bench(lambda line: ES_SLOW * 2).find_out()
    assert [each.format for each in finding.formats] == ["es51986-19200-11", "es519xx-2400-11"]
    assert finding.line is None
    assert "one of es51986-19200-11, es519xx-2400-11" in "\n".join(explanation(finding))


async def test_a_silent_cable_is_fed_the_other_ways_round_before_anything_is_asked() -> None:
    bench = Bench(lambda line: VOLTS_24 if (line.dtr, line.rts) == (False, True) else b"")
    finding = await bench.find_out()
    assert [(line.baud, line.dtr, line.rts) for line in bench.opened] == [(2400, True, False), (2400, False, True)]
    assert finding.profile is not None
    assert finding.line_options(finding.profile, load_format("fs9721-lcd14")) == {"dtr": "off", "rts": "on"}
    assert bench.asked == []


async def test_only_where_all_is_silent_the_meter_is_asked_in_this_order() -> None:
    bench = Bench(lambda line: b"")
    finding = await bench.find_out()
    asked = [(line.baud, line.bytesize, line.parity, line.stopbits) for line in bench.opened[3:]]
    assert asked == [
        (9600, 8, "N", 1),
        (1200, 7, "N", 2),
        (600, 7, "N", 2),
        (9600, 8, "N", 1),
        (9600, 8, "E", 1),
        (19200, 8, "N", 1),
        (19200, 8, "E", 1),
    ]
    assert bench.asked[0] == b"*IDN?\n"
    assert b"D" in bench.asked
    # Modbus Application Protocol V1.1b3, 6.3: device 1, function 3, register 0, one register.
    assert bytes.fromhex("01 03 00 00 00 01 84 0A") in bench.asked
    assert finding.silent
    assert "Nothing came at all" in "\n".join(explanation(finding))


async def test_a_scpi_instrument_must_say_its_name_twice() -> None:
    names = iter([b"MAKER,MODEL,0,1\r\n", b"MAKER,MODEL,0,1\r\n"])
    bench = Bench(lambda line: b"", lambda line, question: next(names) if question == b"*IDN?\n" else b"")
    finding = await bench.find_out()
    assert finding.profile is not None
    assert (finding.profile.profile, finding.formats[0].shown) == ("scpi", "MAKER,MODEL,0,1")
    assert bench.asked == [b"*IDN?\n"] * 2


@pytest.mark.parametrize("reply", [b"*IDN?\n", b"hello\r\n", b"MAKER,MODEL\r\n", b"\x00\xff\x13"])
async def test_an_echo_or_any_other_reply_is_no_scpi_instrument(reply: bytes) -> None:
    bench = Bench(lambda line: b"", lambda line, question: reply, options={})
    assert (await bench.find_out()).formats == ()
    assert b"*IDN?\n" in bench.asked


async def test_the_echo_of_a_modbus_question_is_no_answer() -> None:
    bench = Bench(lambda line: b"", lambda line, question: question, options={})
    assert (await bench.find_out()).formats == ()
    assert bench.asked.count(bytes.fromhex("01 03 00 00 00 01 84 0A")) >= 1


async def test_a_modbus_exception_is_an_answer() -> None:
    exception = bytes.fromhex("01 83 02 C0 F1")
    finding = await Bench(
        lambda line: b"",
        lambda line, question: exception if question[:2] == b"\x01\x03" and line.parity == "E" else b"",
    ).find_out()
    assert [each.format for each in finding.formats] == ["modbus-rtu"]
    assert finding.profile is None  # the order of two registers is nowhere on the wire
    assert {profile.profile for profile in finding.profiles} == {
        f"modbus-{o}" for o in ("abcd", "badc", "cdab", "dcba")
    }


async def test_a_speed_that_is_not_the_profile_s_is_told_as_options() -> None:
    bench = Bench(at_speed(4800, b"24.06 V DC\r\n"))
    finding = await bench.find_out()
    assert finding.profile is not None
    assert finding.line_options(finding.profile, load_format("text-line")) == {"baud": "4800"}


async def test_bytes_that_nothing_explains_are_described_and_nobody_is_asked() -> None:
    bench = Bench(lambda line: b"\x00\xf8\x80")
    finding = await bench.find_out()
    assert finding.formats == ()
    assert bench.asked == []
    words = "\n".join(explanation(finding))
    assert "listening at 2400 bit/s" in words
    assert "wrong speed or parity" in words
    assert "no format that is known here explains them" in words


async def test_a_speed_that_the_address_names_is_the_only_one() -> None:
    bench = Bench(at_speed(9600, b"24.06 V DC\r\n"))
    await bench.find_out("script:here?baud=4800")
    assert [line.baud for line in bench.opened] == [4800]


async def test_an_option_of_a_format_has_no_place() -> None:
    with pytest.raises(UsageError, match="option 'format' is not for identifying; known: baud, dtr, rts"):
        await Bench(lambda line: b"").find_out("script:here?format=fs9721-lcd14")


# Over Bluetooth LE

PLACES = dict.fromkeys(("service", "notify"), "")


def place_of(name: str) -> GattPlace:
    place = load_format(name).line.gatt
    assert place is not None
    return place


async def test_at_a_makers_own_place_the_bytes_decide() -> None:
    frame = vectors("ble-lcd11-xor")[0].data
    bench = Bench(lambda line: frame if line.gatt == place_of("ble-lcd11-xor") else b"", options=PLACES)
    finding = await bench.find_out()
    assert [each.format for each in finding.formats] == ["ble-lcd11-xor"]
    assert len(bench.opened) == 1  # a maker's place is tried first, and carries all that is shown


async def test_a_standard_characteristic_speaks_for_its_format() -> None:
    volts, battery = place_of("gatt-voltage-2b18"), place_of("gatt-battery-2a19")
    sent = {volts: b"\x04\x06", battery: b"\x57"}
    finding = await Bench(lambda line: sent.get(line.gatt, b"") if line.gatt else b"", options=PLACES).find_out()
    assert [each.format for each in finding.formats] == ["gatt-voltage-2b18"]  # a battery is no reading
    assert finding.profile is not None


async def test_a_place_that_is_not_offered_is_passed_over() -> None:
    def sends(line: LineSettings) -> bytes:
        if line.gatt is None or line.gatt.notify != f"00002a6e{BASE}":
            raise LinkError("the meter offers no such place; remove it and try again")
        return b"\x29\x09"

    bench = Bench(sends, options=PLACES)
    finding = await bench.find_out()
    assert [each.format for each in finding.formats] == ["gatt-temperature-2a6e"]
    assert next(step.trouble for step in finding.steps if step.trouble) == "the meter offers no such place"


async def test_a_meter_that_is_not_there_is_not_looked_for_place_by_place() -> None:
    def sends(line: LineSettings) -> bytes:
        raise LinkError("nothing heard; switch it on", passing=True)

    bench = Bench(sends, options=PLACES)
    with pytest.raises(LinkError, match="switch it on"):
        await bench.find_out()
    assert len(bench.opened) == 1


async def test_when_no_place_can_be_opened_the_reason_is_told() -> None:
    def sends(line: LineSettings) -> bytes:
        raise LinkError("no permission")

    with pytest.raises(LinkError, match="no permission"):
        await Bench(sends, options=PLACES).find_out()


# Simulated meters on real ports


@pytest.mark.parametrize(
    "name",
    [
        "fs9721-lcd14",
        "fs9922-ascii14",
        "dtm0660-lcd15",
        "es51922-ascii14",
        "es519xx-2400-11",
        "es51986-19200-11",
        "stx-ascii16",
        "text-line",
        "ble-count6",
        "ble-lcd11-xor",
    ],
)
@pytest.mark.parametrize("port", ["pty", "tcp"])
def test_a_meter_that_talks_is_never_taken_for_another(name: str, port: str) -> None:
    outcome = identified(WIRES[name], port, speed=4, listen_s=30)  # it ends as soon as it is sure
    assert outcome.verdict == (ONE_OF if name in ("es519xx-2400-11", "es51986-19200-11") else RIGHT), outcome
    assert len(outcome.finding.steps) == 1  # listened to once, never asked


@pytest.mark.parametrize("name", ["ascii-polled-14", "scpi-line", "modbus-rtu"])
def test_a_meter_that_has_to_be_asked_is_found_by_asking(name: str) -> None:
    assert identified(WIRES[name], "pty", listen_s=0.3).verdict == RIGHT


@pytest.mark.parametrize("name", ["gatt-voltage-2b18", "sfloat16"])
def test_bytes_without_structure_are_nobody_s_on_a_port(name: str) -> None:
    assert identified(WIRES[name], "pty", speed=4, listen_s=0.5).verdict == NOTHING


@pytest.mark.filterwarnings("ignore:set(Daemon|Name):DeprecationWarning")  # in pyserial 3.5's own RFC 2217 client
@pytest.mark.parametrize("name", ["es519xx-2400-11", "es51986-19200-11", "fs9922-ascii14"])
def test_on_a_line_whose_speed_counts_the_answer_is_one(name: str) -> None:
    outcome = identified(WIRES[name], "rfc2217", speed=2, listen_s=30)
    assert outcome.verdict == RIGHT, explanation(outcome.finding)
    assert outcome.finding.line is not None


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("name", ["fs9721-lcd14", "dtm0660-lcd15", "fs9922-ascii14", "es51922-ascii14"])
def test_halved_frames_and_junk_delay_the_answer_and_never_change_it(name: str, seed: int) -> None:
    meter = SimulatedMeter(WIRES[name], habits=Habits(half=0.2, junk=0.2, seed=seed))
    with PtyFront(meter, speed=4) as front:
        url = parse_meter_url(front.where)
        finding = asyncio.run(identify(url, SERIAL, start_clock(), lambda what: None, listen_s=30))
    named = [each.format for each in finding.formats]
    assert named in ([name], [])
    if not named:
        assert any(step.hearing.received for step in finding.steps)


@pytest.mark.filterwarnings("ignore:set(Daemon|Name):DeprecationWarning")
def test_a_cable_that_is_fed_from_the_lines_is_heard_over_a_network_adapter() -> None:
    meter = SimulatedMeter(WIRES["fs9721-lcd14"], habits=Habits(fed_from_lines=True))
    with Rfc2217Front(meter, speed=4) as front:
        url = parse_meter_url(front.where)
        finding = asyncio.run(identify(url, SERIAL, start_clock(), lambda what: None))
    assert finding.profile is not None
    assert finding.profile.profile == "fs9721"


async def test_a_port_that_someone_else_holds_is_left_alone() -> None:
    with Pty() as pty:
        clock = start_clock()
        async with SERIAL.open(MeterUrl("serial", pty.name, {}), LineSettings(), clock) as held:
            with pytest.raises(LinkError, match="is busy"):
                await identify(parse_meter_url(f"serial:{pty.name}"), SERIAL, clock, lambda what: None)
            pty.send(b"still mine")
            chunk = await held.read()
            assert chunk is not None
            assert b"still mine".startswith(chunk.data)


# What is said


async def test_the_answer_is_explained_with_evidence_and_time() -> None:
    frame = next(vector.data for vector in vectors("dtm0660-lcd15") if vector.shown.startswith("24.06"))
    finding = await Bench(lambda line: frame, options={}).find_out()
    lines = explanation(finding)
    assert lines[0].startswith("listening: 3 frames of dtm0660-lcd15 (45 of 45 bytes), the last shows 24.06 V")
    assert any(line.startswith("This is dtm0660-lcd15, profile dtm0660") for line in lines)
    assert "Not fs9721-lcd14: it fits 1 of the frames, but never three in a row." in lines
    assert lines[-1] == f"It took {finding.seconds:.1f} s."
    assert short_words(finding) == "dtm0660, identified now"


async def test_the_same_as_json() -> None:
    finding = await Bench(at_speed(2400, VOLTS_24)).find_out()
    told = finding_json(finding)
    assert told["formats"] == [
        {"format": "fs9721-lcd14", "frames": 3, "bytes": 42, "shows": "24.06 V dc-voltage"},
    ]
    assert (told["profile"], told["line"]) == ("fs9721", {"baud": 2400, "dtr": True, "rts": False})
    assert told["identity"] == "script:here"


async def test_a_format_of_which_no_profile_stands_alone_leaves_the_choice() -> None:
    finding = await Bench(lambda line: ES_SLOW * 2, options={}).find_out()
    assert short_words(finding) == "one of the profiles es5198x-6000-layout, es5198x-6000, es519xx-4000: say which"
    assert load_profile("es519xx-4000") in finding.profiles


def test_a_wrong_answer_would_be_called_wrong() -> None:
    outcome = identified(WIRES["fs9721-lcd14"], "pty", speed=4)
    assert verdict("dtm0660-lcd15", outcome.finding) == WRONG
