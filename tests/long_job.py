"""Long jobs for the figures of the record: readings at 10 Hz, as a procedure of many steps takes them in."""

import random
import time
from collections.abc import Iterator
from dataclasses import replace

from known_meter import known_meter
from meterlink.instrument import Wire
from meterlink.prepared import Prepared
from meterlink.procedure.parse import parse_procedure
from meterlink.reading import NS_PER_S, Flag, Function, Instant, Reading
from meterlink.record.seal import Signer
from meterlink.record.store import Store
from meterlink.session import Particulars, Session
from meterlink_sim.encoders.fs9721_lcd14 import encode

RATE = 10
"""Readings a second."""
HOUR = 3600 * RATE
STEP_S = 30
"""A technician who takes half a minute from one point to the next: 120 steps an hour."""
WIRE = Wire("fs9721-lcd14", {})

_HEAD = "procedure: long\ntitle: A long walk along an invented chain\nrevision: 1\ncautions: [Take care.]\nsteps:\n"
_STEP = '  - {{id: p{0}, kind: reading, point: "X{0}:1", reference: PE, measure: dc-voltage, limits: 22.0..29.0 V}}\n'


def long_procedure(steps: int) -> str:
    """A procedure of so many points that all want 24 V."""
    return _HEAD + "".join(_STEP.format(number) for number in range(steps))


def readings(
    count: int, seed: int = 0, step_s: int = STEP_S, bad_steps: frozenset[int] = frozenset()
) -> Iterator[Reading]:
    """What a meter of 10 updates a second shows: leads in the air, then 24 V that flickers, over and over.

    Args:
        count: how many.
        seed: of the flicker.
        step_s: seconds from one point to the next.
        bad_steps: steps, from 0, that read 20 V.
    """
    generator = random.Random(seed)
    per_step = step_s * RATE
    for number in range(count):
        held = number % per_step >= per_step // 3
        sound = 20.1 if number // per_step in bad_steps else 24.1
        shown = sound + generator.choice((0, 0, 0.01)) if held else generator.choice((0, 0.01, 0.02))
        ns = (number + 1) * NS_PER_S // RATE
        yield framed(f"{shown:05.2f}", Instant(ns, ns))


def framed(display: str, at: Instant) -> Reading:
    """A reading in DC volts with the frame that shows it."""
    reading = Reading(display, "V", Function.DC_VOLTAGE, at, flags=frozenset({Flag.AUTO_RANGE}))
    return replace(reading, raw=encode(reading))


def record_long_job(
    store: Store, count: int, signer: Signer, step_s: int = STEP_S, bad_steps: frozenset[int] = frozenset()
) -> str:
    """Record a job of so many readings, and of the few more until its last step is judged; return its id."""
    text = long_procedure(count // (step_s * RATE) + 1)
    prepared = Prepared(parse_procedure(text, "long.yaml"), text)
    instrument = replace(known_meter(), wire=WIRE)
    session = Session.begin(store, prepared, "sim:long", instrument, about=Particulars(lift="L-1"), signer=signer)
    session.opening()
    start = time.time_ns()
    for reading in readings(count + step_s * RATE, step_s=step_s, bad_steps=bad_steps):
        session.take(replace(reading, at=Instant(reading.at.monotonic_ns, start + reading.at.utc_ns)))
        if session.engine.ended:
            break
    return session.job
