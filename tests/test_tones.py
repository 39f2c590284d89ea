"""The tones: what they are as sound, and that none is taken for another in the noise of a lift well."""

import itertools
from collections.abc import Callable
from functools import cache

import numpy as np
import pytest
from scipy.signal import fftconvolve, stft

from machinery import Sound, high_passed, machinery, power
from meterlink.cues.codes import tone_of
from meterlink.cues.tones import FULL, RATE, Tone, samples
from meterlink.outcome import VerdictOutcome

TRIALS = 200
"""For each tone of each pair."""


@cache
def sound(tone: Tone) -> Sound:
    return np.array(samples(tone), dtype=float) / FULL


def steps(tone: Tone) -> list[tuple[float, float]]:
    """Find a tone's notes: each one's length in seconds and its strongest frequency, from a spectrogram."""
    frequency, _, spectrum = stft(sound(tone), RATE, nperseg=512, noverlap=448, nfft=4096)
    size = np.abs(spectrum)
    loud = size.max(axis=0) > 0.15 * size.max()
    found = frequency[size.argmax(axis=0)]
    notes: list[list[float]] = []
    before = False
    for at, here in enumerate(loud):
        if here and before and abs(found[at] - notes[-1][-1]) < 0.12 * found[at]:
            notes[-1].append(found[at])
        elif here:
            notes.append([found[at]])
        before = bool(here)
    return [(len(note) * 64 / RATE, float(np.median(note))) for note in notes if len(note) * 64 / RATE > 0.02]


@pytest.mark.parametrize("tone", Tone)
def test_a_tone_is_short_does_not_clip_and_neither_clicks_at_its_ends(tone: Tone) -> None:
    whole = sound(tone)
    assert 0.03 < len(whole) / RATE < 0.6
    assert 0.1 < np.abs(whole).max() < 0.9
    assert np.abs(whole[:20]).max() < 0.25
    assert np.abs(whole[-5:]).max() < 0.05
    assert abs(whole.mean()) < 0.01


def test_all_but_the_tick_are_about_as_loud_and_the_tick_is_soft() -> None:
    levels = {tone: 10 * np.log10(power(sound(tone))) for tone in Tone}
    tick = levels.pop(Tone.LIFT)
    assert max(levels.values()) - min(levels.values()) < 4
    assert tick < min(levels.values()) - 6


def test_contours_are_those_of_the_design() -> None:
    pitches = {tone: [pitch for _, pitch in steps(tone)] for tone in Tone}
    assert len(pitches[Tone.SETTLED]) == 1
    low, high = pitches[Tone.PASS]
    assert high > 1.3 * low
    first, second, third = pitches[Tone.FAIL]
    assert first > 1.1 * second > 1.1 * 1.1 * third
    assert len(pitches[Tone.LIFT]) == 1
    above, below = pitches[Tone.ATTENTION]
    assert above > 2.5 * below


def test_unclear_wavers_several_times_and_nothing_else_does() -> None:
    frequency, _, spectrum = stft(sound(Tone.UNCLEAR), RATE, nperseg=512, noverlap=448, nfft=4096)
    track = frequency[np.abs(spectrum).argmax(axis=0)][8:-8]
    crossings = int(np.sum(np.diff(np.sign(track - np.median(track))) != 0))
    assert crossings >= 5
    assert 0.1 < (track.max() - track.min()) / np.median(track) < 0.3


def test_a_fail_is_rough_and_a_pass_is_not() -> None:
    def tremble(tone: Tone) -> float:
        envelope = np.abs(sound(tone))[: round(0.13 * RATE)]
        spectrum = np.abs(np.fft.rfft(envelope - envelope.mean()))
        frequency = np.fft.rfftfreq(len(envelope), 1 / RATE)
        return float(spectrum[(frequency > 40) & (frequency < 80)].max() / envelope.sum())

    assert tremble(Tone.FAIL) > 3 * tremble(Tone.PASS)


def test_each_verdict_has_its_own_tone() -> None:
    assert [
        tone_of(outcome.value) for outcome in (VerdictOutcome.PASS, VerdictOutcome.FAIL, VerdictOutcome.UNCLEAR)
    ] == [
        Tone.PASS,
        Tone.FAIL,
        Tone.UNCLEAR,
    ]


@cache
def noise() -> Sound:
    return machinery(40.0, seed=1)


def detect(heard: Sound, templates: dict[Tone, Sound]) -> Tone:
    """A simple matched detector: which template, of unit energy, correlates most at any lag."""
    return max(templates, key=lambda tone: np.abs(fftconvolve(heard, templates[tone][::-1], mode="valid")).max())


def trials(pair: tuple[Tone, Tone], *, telephone: bool) -> list[str]:
    """Play each of two tones in noise as loud as itself, at a random place; return what was taken for the other."""
    heard_as: Callable[[Sound], Sound] = high_passed if telephone else np.asarray
    templates = {tone: heard_as(np.pad(sound(tone), 200)) for tone in pair}
    templates = {tone: each / np.sqrt(np.sum(each**2)) for tone, each in templates.items()}
    rng = np.random.default_rng(7)
    wrong = []
    window = round(0.9 * RATE)
    for tone in pair:
        for trial in range(TRIALS):
            place = rng.integers(0, len(noise()) - window)
            heard = np.sqrt(power(sound(tone))) * noise()[place : place + window]
            at = rng.integers(200, window - len(sound(tone)) - 200)
            heard[at : at + len(sound(tone))] += sound(tone)
            if detect(heard_as(heard), templates) is not tone:
                wrong.append(f"{tone} in trial {trial}")
    return wrong


@pytest.mark.parametrize("telephone", [False, True], ids=["open", "telephone"])
@pytest.mark.parametrize("pair", list(itertools.combinations(Tone, 2)), ids="-".join)
def test_two_tones_are_told_apart_in_machinery_noise_as_loud_as_they_are(
    pair: tuple[Tone, Tone], telephone: bool
) -> None:
    assert trials(pair, telephone=telephone) == []
