"""Damage on the wire: how many numbers each wire format reads that no display showed, and what verdicts come of them.

    python tests/damage.py [BYTES FLIPS TOUCHES]

Three trials a format, each with a fixed seed:

- random bytes: whatever is read from them is wrong;
- flips: frames with one flipped bit each, every one between good frames. What is read must be what was sent, in its
  order; a frame that is lost is not wrong, nor is one whose flipped bit says nothing (a bar graph). What is wrong is
  counted in readings, what is refused in frames;
- touches: leads in the air, then 24.06 V held on a point with limits 22..29 V, three updates a second, with one flipped
  bit in one of the frames. Any verdict but that one pass is wrong, and so is one of the next point, never touched.

A format that is asked is listened to (`poll=off`), which is harder: a session also knows what it asked. Where the line
has a parity bit there are two rows: the frames as a port set to seven bits gives them, where a flip is one of those
bits, and with the parity still in them.
"""

import random
import sys
from collections.abc import Callable, Mapping
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field, replace
from decimal import Decimal
from functools import cache
from itertools import product

import click

from bench import procedure, reading_step
from meterlink.driver import Notice
from meterlink.engine import Engine
from meterlink.outcome import Verdict, VerdictOutcome
from meterlink.reading import NS_PER_S, Flag, Function, Instant, Reading
from meterlink.registry import format_names, load_format
from meterlink.seven_bit import SevenBits
from meterlink_sim.encoders.gatt import encode_battery
from meterlink_sim.encoders.modbus_rtu import READ_INPUT, closed
from meterlink_sim.wires import WIRES

BYTES, FLIPS, TOUCHES = 1_000_000, 100_000, 2_000
SEED = 1
UPDATE_NS = NS_PER_S // 3
POOL = 1_000
"""Different frames a format, at most; each is flipped in many places."""
CHUNK = 64
CHUNK_NS = NS_PER_S // 15
"""64 bytes at 9600 baud."""
AIR, HELD = 4, 12
"""Updates of one touch: leads in the air, then on the point."""

BATTERY = "gatt-battery-2a19"
PARITY = " with parity"
_ASKED = closed(bytes([1, READ_INPUT, 0, 0, 0, 2]))
_OPTIONS: Mapping[str, Mapping[str, str]] = {
    "ascii-polled-14": {"poll": "off"},
    "gatt-voltage-2b18": {"coupling": "dc"},
    "modbus-rtu": {"poll": "off"},
    "scpi-line": {"poll": "off"},
    "sfloat16": {"function": "dc-voltage", "unit": "V"},
    "text-line": {"from-start": "yes"},
}
_HELD = {"es51922-ascii14": "024.06", "modbus-rtu": "24.0625", "gatt-voltage-2b18": "24.0625", "sfloat16": "24.1"}
"""24.06 V as formats show it that do not show it so."""

_TEXT = "no checksum: one bit turns a digit, a sign or a unit into another"
_SEGMENTS = "no checksum: one bit lights another annunciator, point or segment that makes a digit"
_RADIO = "no checksum of its own; over the air Bluetooth's 24-bit CRC drops such a packet before it gets here"
_VALUE = f"every pair of bytes is a value; {_RADIO}"
WHY: Mapping[str, str] = {
    "ascii-polled-14": _TEXT,
    "ble-count6": _RADIO,
    "ble-lcd11-xor": _RADIO,
    "dtm0660-lcd15": _SEGMENTS,
    "es51922-ascii14": "a port set to 7O1 checks the parity; without it, as here, digit turns into digit",
    "es51986-19200-11": "a port set to 7O1 checks the parity; without it, as here, digit turns into digit",
    "es519xx-2400-11": "a port set to 7O1 checks the parity; without it, as here, digit turns into digit",
    "fs9721-lcd14": _SEGMENTS,
    "fs9922-ascii14": _TEXT,
    BATTERY: f"nearly half of all bytes are a level, a notice on which no verdict rests; {_RADIO}",
    "gatt-current-2aee": _VALUE,
    "gatt-temperature-2a6e": _VALUE,
    "gatt-voltage-2b18": _VALUE,
    "scpi-line": _TEXT,
    "sfloat16": _VALUE,
    "stx-ascii16": _TEXT,
    "text-line": _TEXT,
}
"""Why a row may have wrong readings at all. A row that is not here must have none: see `NONE_AFTER_A_FLIP`."""
NONE_AFTER_A_FLIP = "modbus-rtu", "es51922-ascii14" + PARITY, "es519xx-2400-11" + PARITY, "es51986-19200-11" + PARITY
"""One flipped bit is always seen: a CRC of 16 bits over the frame, or a parity bit in each character."""

_wire = cache(load_format)
Told = tuple[object, ...]
Hear = Callable[[bytes, Instant], list[Reading | Notice]]


@dataclass(slots=True)
class Row:
    """What one format came to."""

    name: str
    random_bytes: int = 0
    random_wrong: int = 0
    flips: int = 0
    flips_wrong: int = 0
    refused: int = 0
    touches: int = 0
    judged: int = 0
    """Touches with the right verdict."""
    wrong_verdicts: list[str] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class Line:
    """One row's format, and whether the parity bit is left in its characters."""

    name: str

    @property
    def format(self) -> str:
        return self.name.removesuffix(PARITY)

    @property
    def parity(self) -> str | None:
        return _wire(self.format).line.parity if self.name.endswith(PARITY) else None

    @property
    def bits(self) -> int:
        """Bits of a character that damage can reach."""
        return 8 if self.parity else _wire(self.format).line.bytesize

    def hear(self) -> Hear:
        """Begin a stream. What comes back is what tells a number."""
        decoder = _wire(self.format).decoder(_OPTIONS.get(self.format, {}))
        strip = SevenBits(self.parity) if self.parity else None

        def hear(data: bytes, at: Instant) -> list[Reading | Notice]:
            items = decoder.feed(strip.feed(data) if strip else data, at)
            return [item for item in items if isinstance(item, Reading) or item.kind == "battery"]

        return hear

    def send(self, reading: Reading) -> bytes:
        """Put a display on the line. Raises `ValueError` where the format cannot show it."""
        data = WIRES[self.format].encode(reading)
        if self.parity:
            return bytes(byte | (byte.bit_count() % 2 == 0) << 7 for byte in data)
        return _ASKED + data if self.format == "modbus-rtu" else data

    def frames(self, most: int) -> list[tuple[bytes, Told]]:
        """Different frames, each with what it tells."""
        if self.format == BATTERY:
            sent = {encode_battery(percent) for percent in range(101)}
        else:
            sent = set()
            chance = random.Random(SEED)
            for _ in range(200 * most):
                if len(sent) < most:
                    sent |= self._some_frame(chance)
        pool = []
        for data in sorted(sent):
            items = self.hear()(data, Instant(0, 0))
            pool += [(data, told(item)) for item in items[: len(items) == 1]]
        return pool

    def _some_frame(self, chance: random.Random) -> set[bytes]:
        sample = WIRES[self.format].sample
        function = chance.choice([sample.function, chance.choice(list(Function))])
        shown = replace(
            sample,
            function=function,
            unit=function.unit,
            display="OL" if chance.random() < 0.02 else _some_display(self.format, sample.display, chance),
            scale=chance.choice((0, 0, -6, -3, 3, 6)),
            flags=frozenset([chance.choice([*Flag])] if chance.random() < 0.3 else sample.flags),
        )
        try:
            return {self.send(shown)}
        except ValueError:
            return set()


def _some_display(name: str, sample: str, chance: random.Random) -> str:
    if name == "gatt-voltage-2b18":
        return f"{Decimal(chance.randrange(1022 * 64)) / 64:f}"
    digits = "".join(chance.choice("0123456789") for character in sample if character.isdigit())
    point = chance.randint(1, len(digits))
    return chance.choice(("", "-")) + f"{digits[:point]}.{digits[point:]}".removesuffix(".")


def lines() -> list[Line]:
    """Every format that is installed with this project's own, and those with parity once more."""
    parity = [name for name, wire in WIRES.items() if wire.line.bytesize == 7 and wire.line.parity != "N"]
    return [Line(name) for each in format_names() for name in (each, *[each + PARITY] * (each in parity))]


def told(item: Reading | Notice) -> Told:
    """What an item says, its bytes and its time apart."""
    if isinstance(item, Notice):
        return item.kind, item.display, item.unit
    return item.display, item.scale, item.unit, item.function, item.flags


def noise(line: Line, count: int, row: Row) -> None:
    """Feed random bytes."""
    chance, hear = random.Random(SEED), line.hear()
    for at in range(0, count, CHUNK):
        now = at // CHUNK * CHUNK_NS
        row.random_wrong += len(hear(chance.randbytes(CHUNK), Instant(now, now)))
        row.random_bytes += CHUNK


def flip(line: Line, data: bytes, bit: int) -> bytes:
    """Turn one bit over, counted through all that damage can reach."""
    place, low = divmod(bit, line.bits)
    return data[:place] + bytes([data[place] ^ 1 << low]) + data[place + 1 :]


def flips(line: Line, count: int, row: Row) -> None:
    """Feed frames with one flipped bit, each between good ones."""
    chance, hear = random.Random(SEED), line.hear()
    pool = line.frames(min(POOL, count // 10))
    now = 0
    for data, _ in pool[:8]:  # so that the parity, where there is one, is known
        now += UPDATE_NS
        hear(data, Instant(now, now))
    for _ in range(count):
        (data, meant), (good, after) = chance.sample(pool, 2)
        heard: list[Told] = []
        for sent in (flip(line, data, chance.randrange(len(data) * line.bits)), good):
            now += UPDATE_NS
            heard += map(told, hear(sent, Instant(now, now)))
        wrong = _not_sent(heard, [meant, after])
        row.flips += 1
        row.flips_wrong += wrong
        row.refused += not wrong and meant not in heard


def _not_sent(heard: list[Told], sent: list[Told]) -> int:
    """How many of what was heard are none of what was sent, in its order."""
    wrong, rest = 0, list(sent)
    for each in heard:
        if each in rest:
            del rest[: rest.index(each) + 1]
        else:
            wrong += 1
    return wrong


def touches(line: Line, count: int, row: Row) -> None:
    """Hold 24.06 V, with each bit of each frame flipped in turn, or as many of them as `count`."""
    if line.format == BATTERY:
        return
    held = replace(WIRES[line.format].sample, display=_HELD.get(line.format, "24.06"))
    try:
        good = line.send(held)
    except ValueError:
        return
    (reading,) = line.hear()(good, Instant(0, 0))
    if not isinstance(reading, Reading) or reading.function is not Function.DC_VOLTAGE:
        return
    shape = "".join("0" if character.isdigit() else character for character in held.display)
    sent = [line.send(replace(held, display=shape))] * AIR + [good] * HELD
    damage = list(product(range(len(sent)), range(len(good) * line.bits)))
    for update, bit in random.Random(SEED).sample(damage, min(count, len(damage))):
        damaged = [flip(line, data, bit) if place == update else data for place, data in enumerate(sent)]
        verdicts = _verdicts(line.hear(), damaged)
        right = [given for given in verdicts if _right(given, reading)]
        row.touches += 1
        row.judged += len(right)
        row.wrong_verdicts += [f"{line.name}, update {update}, bit {bit}: {v}" for v in verdicts if v not in right]


def _right(given: Verdict, reading: Reading) -> bool:
    value = given.measured.value if given.measured else None
    return (given.step, given.outcome, value) == ("a", VerdictOutcome.PASS, reading.value)


def _verdicts(hear: Hear, sent: list[bytes]) -> list[Verdict]:
    engine = Engine(procedure(reading_step("a", "22..29 V"), reading_step("b", "22..29 V")))
    engine.start(Instant(0, 0))
    given = []
    for update, data in enumerate(sent, 1):
        for item in hear(data, Instant(update * UPDATE_NS, update * UPDATE_NS)):
            if isinstance(item, Reading):
                given += [outcome for outcome in engine.feed(item) if isinstance(outcome, Verdict)]
    return given


def measure(line: Line, random_bytes: int, flip_count: int, touch_count: int) -> Row:
    """Put one format through all three trials."""
    row = Row(line.name)
    noise(line, random_bytes, row)
    flips(line, flip_count, row)
    touches(line, touch_count, row)
    return row


def table(rows: list[Row]) -> list[str]:
    """Write the rows out, and below them why some are not zero."""
    heads = ("bytes", "wrong", "flips", "wrong", "refused", "touches", "judged", "wrong")
    text = [f"{'format':<30}" + "".join(f"{head:>10}" for head in heads)]
    for row in rows:
        figures = (row.random_bytes, row.random_wrong, row.flips, row.flips_wrong, row.refused)
        text.append(f"{row.name:<30}" + "".join(f"{figure:>10,}" for figure in figures))
        if row.touches:
            verdicts = (row.touches, row.judged, len(row.wrong_verdicts))
            text[-1] += "".join(f"{figure:>10,}" for figure in verdicts)
    text += ["", "Why it is not zero:"]
    text += [f"  {row.name}: {WHY.get(row.name, '?')}" for row in rows if row.random_wrong or row.flips_wrong]
    text += [
        "",
        "A verdict rests on three readings or more that agree: a wrong one that stands alone judges nothing.",
    ]
    return text + [wrong for row in rows for wrong in row.wrong_verdicts[:5]]


def main(random_bytes: int = BYTES, flip_count: int = FLIPS, touch_count: int = TOUCHES) -> int:
    """Run the full figures; return the exit status."""
    with ProcessPoolExecutor(2) as workers:
        jobs = [workers.submit(measure, line, random_bytes, flip_count, touch_count) for line in lines()]
        rows = [job.result() for job in jobs]
    click.echo("\n".join(table(rows)))
    return 1 if any(row.wrong_verdicts or (row.flips_wrong and row.name in NONE_AFTER_A_FLIP) for row in rows) else 0


if __name__ == "__main__":
    sys.exit(main(*map(int, sys.argv[1:4])))
