"""The simulated meter as a peer: what it sends and when, in virtual time."""

from dataclasses import replace

import pytest

from frames import VOLTS_24
from meterlink.errors import UsageError
from meterlink_sim.encoders.fs9721_lcd14 import encode
from meterlink_sim.peer import Habits, SimulatedMeter, counting, played
from meterlink_sim.wires import WIRES, find_wire

LCD14 = WIRES["fs9721-lcd14"]
VOLTS = replace(LCD14.sample, display="24.06")
STREAMED = sorted(name for name, wire in WIRES.items() if wire.responder is None)


def run(meter: SimulatedMeter, until: float) -> list[tuple[float, bytes]]:
    """Let a meter live; return what arrives and when."""
    arrived = []
    while meter.due <= until:
        at = meter.due
        if data := meter.advance():
            arrived.append((at, data))
    return arrived


def sent(meter: SimulatedMeter, until: float) -> bytes:
    return b"".join(data for _, data in run(meter, until))


def test_blocks_come_at_the_rate_in_pieces_at_the_pace_of_the_line() -> None:
    arrived = run(SimulatedMeter(LCD14, habits=Habits(rate=4)), 2.1)
    assert b"".join(data for _, data in arrived) == VOLTS_24 * 8
    assert len(arrived) > 8
    # 2400 baud, 8N1: 14 characters of ten bits take 58 ms.
    ends = [at for at, data in arrived if data.endswith(VOLTS_24[-1:])]
    assert ends == pytest.approx([n / 4 + 14 * 10 / 2400 for n in range(1, 9)])


def test_the_same_seed_gives_the_same_bytes_at_the_same_times() -> None:
    habits = Habits(half=0.3, junk=0.3, seed=5)
    first, again, other = (
        run(SimulatedMeter(LCD14, habits=each), 30) for each in (habits, habits, replace(habits, seed=6))
    )
    assert first == again != other


def test_a_display_is_a_function_of_time() -> None:
    other = replace(VOLTS, display="00.00")
    meter = SimulatedMeter(LCD14, played([(0.0, VOLTS), (1.0, other), (2.0, VOLTS)]), Habits(rate=2))
    run(meter, 2.6)
    assert [reading.display for reading in meter.shown] == ["24.06", "00.00", "00.00", "24.06", "24.06"]


def test_counted_updates_can_be_told_from_each_other() -> None:
    meter = SimulatedMeter(LCD14, counting(VOLTS), Habits(rate=3))
    run(meter, 4.01)
    assert [reading.display for reading in meter.shown] == [f"{n // 100:02}.{n % 100:02}" for n in range(1, 13)]


def test_each_block_is_sent_twice_where_the_chip_does_so() -> None:
    wire = WIRES["es51986-19200-11"]
    assert sent(SimulatedMeter(wire), 1.1) == wire.encode(wire.sample) * 6


def test_a_meter_switches_itself_off_and_a_key_switches_it_on() -> None:
    meter = SimulatedMeter(LCD14, habits=Habits(rate=2, off_after=3))
    assert len(sent(meter, 100)) == 5 * 14
    assert meter.due == float("inf")
    meter.press_key(10)
    arrived = run(meter, 100)
    assert arrived[0][0] > 10
    assert len(b"".join(data for _, data in arrived)) == 5 * 14


def test_a_key_pressed_in_time_keeps_it_on() -> None:
    meter = SimulatedMeter(LCD14, habits=Habits(rate=2, off_after=3))
    run(meter, 2.1)
    meter.press_key(2.1)
    run(meter, 100)
    assert len(meter.shown) == 10  # the last at 5.0 s; off at 5.1 s


def test_what_got_stuck_comes_all_at_once() -> None:
    meter = SimulatedMeter(LCD14, counting(VOLTS, 4), Habits(rate=4, pause_every=5, pause_for=2))
    arrived = run(meter, 5.4)
    [burst] = [(at, data) for at, data in arrived if len(data) > 14]
    assert burst == (5.0, b"".join(encode(reading) for reading in list(meter.shown)[11:19]))
    assert not [at for at, _ in arrived if 3.1 < at < 5.0]
    assert b"".join(data for _, data in arrived) == b"".join(encode(reading) for reading in meter.shown)[: 21 * 14]


def test_blocks_are_cut_short() -> None:
    data = sent(SimulatedMeter(LCD14, habits=Habits(half=0.5)), 100)
    assert 0.6 < len(data) / (300 * 14) < 0.9


def test_junk_comes_between_blocks() -> None:
    data = sent(SimulatedMeter(LCD14, habits=Habits(junk=0.5)), 100.1)
    assert data.count(VOLTS_24) == 300
    assert len(data) > 301 * 14


def test_a_cable_without_supply_is_silent_and_breaks_off_a_frame() -> None:
    meter = SimulatedMeter(LCD14, habits=Habits(rate=2, fed_from_lines=True))
    assert sent(meter, 2.1) == b""
    meter.set_lines(dtr=True, rts=True)
    assert sent(meter, 4.1) == b""
    meter.set_lines(dtr=True, rts=False)
    assert sent(meter, 6.1) == VOLTS_24 * 4
    while not (piece := meter.advance()):
        pass
    meter.set_lines(dtr=False, rts=False)
    assert sent(meter, 10) == b""
    assert 0 < len(piece) < 14


def test_a_meter_with_a_supply_of_its_own_does_not_mind_the_lines() -> None:
    meter = SimulatedMeter(LCD14)
    meter.set_lines(dtr=False, rts=True)
    assert sent(meter, 0.4) == VOLTS_24


def test_a_meter_that_is_asked_answers_and_one_that_streams_does_not() -> None:
    polled = SimulatedMeter(WIRES["ascii-polled-14"])
    assert run(polled, 100) == []
    polled.hear(b"D", 100)
    answer = run(polled, 110)
    assert b"".join(data for _, data in answer) == b"DC  24.06   V\r"
    # 1200 baud, 7N2: 14 characters of ten bits take 117 ms.
    assert answer[-1][0] - 100 == pytest.approx(0.02 + 14 * 10 / 1200)
    streaming = SimulatedMeter(LCD14, habits=Habits(rate=0.001))
    streaming.hear(b"D", 0)
    assert run(streaming, 10) == []


def test_a_meter_that_is_off_or_not_fed_does_not_answer() -> None:
    off = SimulatedMeter(WIRES["ascii-polled-14"], habits=Habits(off_after=1))
    off.hear(b"D", 2)
    unfed = SimulatedMeter(WIRES["ascii-polled-14"], habits=Habits(fed_from_lines=True))
    unfed.hear(b"D", 0)
    assert run(off, 10) == run(unfed, 10) == []


def test_a_format_that_no_simulated_meter_speaks() -> None:
    with pytest.raises(
        UsageError, match=r"format 'morse': no simulated meter speaks it; expected one of ascii-polled-14"
    ):
        find_wire("morse")


# GATT values come in steps, SFLOAT has three digits: a counter does not fit them.
SENSORS = [name for name in STREAMED if name.startswith(("gatt", "sfloat"))]
COUNTED = [name for name in STREAMED if name not in SENSORS]


@pytest.mark.parametrize("name", sorted(set(WIRES) - set(SENSORS)))
def test_each_format_s_sample_can_be_counted_through(name: str) -> None:
    wire = WIRES[name]
    assert wire.encode(counting(wire.sample)(1.0)) != wire.encode(wire.sample)
