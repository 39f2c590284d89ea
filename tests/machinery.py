"""What a lift well sounds like, synthesised: hum of the mains, whine of a motor, broadband rumble, metal on metal.

The make-up is common practice, no source: harmonics of 50 Hz from transformers and contactors, a geared motor's whine
that wanders with its load, pink noise from air and rollers, impacts of locks and rails.
"""

import numpy as np
from numpy.typing import NDArray

from meterlink.cues.tones import RATE

Sound = NDArray[np.float64]


def machinery(seconds: float, seed: int) -> Sound:
    """Return noise of unit power: a quarter of it each hum, whine, pink noise and impacts."""
    rng = np.random.default_rng(seed)
    time = np.arange(round(seconds * RATE)) / RATE
    parts = [_hum(time, rng), _whine(time, rng), _pink(time, rng), _impacts(time, rng)]
    return _unit(np.sum([_unit(part) for part in parts], axis=0))


def high_passed(sound: Sound, below_hz: float = 300.0) -> Sound:
    """Let through what a telephone's loudspeaker does: nothing below 300 Hz (ITU-T G.712 takes 300..3400 Hz)."""
    spectrum = np.fft.rfft(sound)
    frequency = np.fft.rfftfreq(len(sound), 1 / RATE)
    gain = 1 / (1 + (below_hz / np.maximum(frequency, 1e-9)) ** 8)
    return np.fft.irfft(spectrum * gain, len(sound))


def power(sound: Sound) -> float:
    """Mean square."""
    return float(np.mean(sound**2))


def _unit(sound: Sound) -> Sound:
    return np.asarray(sound / np.sqrt(power(sound)))


def _hum(time: Sound, rng: np.random.Generator) -> Sound:
    whole = np.zeros_like(time)
    for order in range(1, 25):
        whole += np.sin(2 * np.pi * 50 * order * time + rng.uniform(0, 2 * np.pi)) / order
    return whole


def _whine(time: Sound, rng: np.random.Generator) -> Sound:
    wander = np.cumsum(rng.normal(size=len(time))) / np.sqrt(RATE)
    phase = 2 * np.pi * np.cumsum(870 + 40 * np.sin(2 * np.pi * 0.7 * time) + 5 * wander) / RATE
    return np.asarray(np.sin(phase) + 0.5 * np.sin(2 * phase) + 0.25 * np.sin(3 * phase))


def _pink(time: Sound, rng: np.random.Generator) -> Sound:
    spectrum = np.fft.rfft(rng.normal(size=len(time)))
    frequency = np.fft.rfftfreq(len(time), 1 / RATE)
    return np.fft.irfft(spectrum / np.sqrt(np.maximum(frequency, 20.0)), len(time))


def _impacts(time: Sound, rng: np.random.Generator) -> Sound:
    whole = np.zeros_like(time)
    for at in rng.integers(0, len(time), size=max(1, int(3 * time[-1]))):
        ring = time[: min(len(time) - at, RATE // 4)]
        bang = sum(np.sin(2 * np.pi * rng.uniform(400, 3000) * ring + rng.uniform(0, 6)) for _ in range(5))
        whole[at : at + len(ring)] += rng.uniform(0.3, 1.0) * bang * np.exp(-ring * rng.uniform(15, 60))
    return whole
