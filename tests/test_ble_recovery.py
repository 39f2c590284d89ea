"""Bluetooth links that break: back by itself, nothing lost while a link stands, nothing twice, nothing spliced."""

import asyncio
import random
from itertools import islice
from statistics import median

import pytest

from ble_bench import NOTIFY, QUICK, Followed, counter_frames, follow, meter, needs_dbus, opened, radio, running, said
from ble_soak import FRAMES, cut_links, leaked_handles, stream
from frames import NOW, vectors
from meterlink.errors import UsageError
from meterlink.registry import format_names, load_format
from meterlink_drivers.formats.fs9721_lcd14 import Fs9721Decoder
from meterlink_drivers.transports.ble import transport
from meterlink_sim.bluez.gatt_meter import Cutter, GattMeter
from meterlink_sim.bluez.peripheral import Characteristic
from waiting import until

pytestmark = needs_dbus


async def test_of_a_flood_of_10_000_notifications_none_is_lost_and_none_doubled() -> None:
    flood = await stream(FRAMES, None, QUICK)
    assert not flood.lost_or_doubled
    print(f"{FRAMES / flood.seconds:.0f} notifications a second")  # noqa: T201 - a figure for `pytest -s`


async def test_a_steady_stream_arrives_when_it_is_sent() -> None:
    steady = await stream(40, 10, QUICK)
    assert not steady.lost_or_doubled
    assert 0.05 < median(steady.gaps_s) < 0.2


async def test_50_links_cut_at_random_come_back_within_3_s_and_splice_nothing() -> None:
    cuts = await cut_links(meters=5, cuts=10, seed=1)
    assert cuts.faults == []
    assert len(cuts.recovered_s) == 50
    print(f"back after {median(cuts.recovered_s):.2f} s, {max(cuts.recovered_s):.2f} s at worst")  # noqa: T201
    assert median(cuts.recovered_s) < 3
    assert max(cuts.recovered_s) < 15  # a loaded machine was seen to take 4.7 s once
    assert cuts.readings >= 100


@pytest.mark.parametrize("keep_decoder", [False, True])
async def test_halves_of_two_frames_never_make_a_reading(*, keep_decoder: bool) -> None:
    first, second, third = islice(counter_frames(1199), 3)
    kept = Fs9721Decoder()
    followed = Followed()
    async with radio() as bluez:
        peripheral = meter()
        bluez.advertise(peripheral)
        following = follow(
            followed,
            through=transport(QUICK, random.Random(1)),
            new_decoder=(lambda: kept) if keep_decoder else Fs9721Decoder,
        )
        async with running(following):
            await said(bluez, peripheral, first[:7])
            await asyncio.sleep(0.2)
            bluez.drop_link(peripheral)
            await said(bluez, peripheral, second[7:] + third)
            await followed.more(2 if keep_decoder else 1)
    faults = followed.faults([first, second, third])
    assert faults == (["never sent: 11.90"] if keep_decoder else [])  # so this test can tell
    assert [reading.raw for reading in followed.readings][-1] == third


async def test_notifications_that_stop_while_the_link_stands_are_noticed_by_silence_and_come_back() -> None:
    followed = Followed()
    async with radio() as bluez:
        peripheral = meter()
        bluez.advertise(peripheral)
        before = GattMeter(bluez, peripheral, NOTIFY, counter_frames(), rate_hz=50, rng=random.Random(1))
        async with running(follow(followed, through=transport(QUICK, random.Random(1)), silence_s=2)):
            async with running(before.run()):
                await followed.more(5)
            await until(lambda: followed.breaks)
            after = GattMeter(bluez, peripheral, NOTIFY, counter_frames(5000), rate_hz=50, rng=random.Random(2))
            async with running(after.run()):
                await followed.more(5)
    assert followed.breaks == ["silence"]
    assert bluez.calls.count("Disconnect") >= 1  # the forced one
    assert followed.faults(before.sent + after.sent) == []


async def test_a_bluetooth_service_that_restarts_costs_readings_but_gives_no_wrong_one() -> None:
    followed = Followed()
    async with radio() as bluez:
        peripheral = meter()
        bluez.advertise(peripheral)
        source = GattMeter(bluez, peripheral, NOTIFY, counter_frames(), rate_hz=50, rng=random.Random(1))
        async with running(source.run(), follow(followed, through=transport(QUICK, random.Random(1)), silence_s=2)):
            await followed.more(5)
            await bluez.exit()
            await bluez.start()
            await followed.another_link()
            await followed.more(5)
    assert followed.breaks == ["silence"]
    assert followed.faults(source.sent) == []


async def test_links_opened_and_left_leak_no_handles() -> None:
    assert await leaked_handles(30, QUICK) <= 0


def formats_over_bluetooth() -> list[str]:
    names = []
    for name in format_names():
        try:
            if load_format(name).line.gatt is not None:
                names.append(name)
        except UsageError:  # a format that does not load
            continue
    return names


@pytest.mark.parametrize("name", formats_over_bluetooth())
async def test_every_format_that_comes_over_bluetooth_reads_the_same_whole_and_cut(name: str) -> None:
    wire = load_format(name)
    place = wire.line.gatt
    assert place is not None
    frames = [vector.data for vector in vectors(name)]
    assert frames
    whole = [item for frame in frames for item in wire.decoder({}).feed(frame, NOW)]
    async with radio() as bluez:
        peripheral = meter(services={place.service: (Characteristic(place.notify),)})
        bluez.advertise(peripheral)
        for cutter in (None, Cutter(random.Random(1)), Cutter(random.Random(2))):
            pieces = frames if cutter is None else [*cutter.cut(b"".join(frames)), *cutter.rest()]
            decoder = wire.decoder({})
            async with opened(line=wire.line, clock=lambda: NOW) as connection:  # a pause would end a frame of some
                for piece in pieces:
                    await bluez.notify(peripheral, place.notify, piece)
                data = [await connection.read() for _ in pieces]
            items = [item for chunk in data if chunk is not None for item in decoder.feed(chunk.data, chunk.at)]
            assert items == whole
