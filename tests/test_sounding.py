"""Cues through real threads and a real audio back end that pulls as a device does, with nothing connected to it."""

import threading
import time
from array import array
from collections.abc import Iterator
from contextlib import contextmanager

import miniaudio
import pytest

import meterlink.cues.sounding as sounding_module
from meterlink.cues.codes import Weight
from meterlink.cues.mix import Loudness
from meterlink.cues.player import Player, PlayerError
from meterlink.cues.queue import Sound
from meterlink.cues.sounding import Sounding, Speak
from meterlink.cues.tones import RATE, Tone, samples
from meterlink.cues.voice import Voice
from waiting import soon

SILENT = [miniaudio.Backend.NULL]
"""The audio library's own device without a loudspeaker: a thread of its own pulls samples at their rate."""


class Ear:
    """Keeps every sample that the device took, and when it took the first that is not silence."""

    def __init__(self, sounding: Sounding) -> None:
        self._sounding = sounding
        self.heard = array("h")
        self.began: int | None = None
        """At which sample the first that is not silence was taken."""
        self.longest = 0
        """The most samples taken at once."""

    def pull(self, frames: int) -> "array[int]":
        taken = self._sounding.pull(frames)
        if self.began is None and any(taken):
            self.began = len(self.heard)
        self.heard.extend(taken)
        self.longest = max(self.longest, len(taken))
        return taken


@contextmanager
def ear(speak: Speak | None = None) -> Iterator[tuple[Sounding, Ear]]:
    sounding = Sounding(Loudness(), speak)
    listening = Ear(sounding)
    player = Player(listening.pull, SILENT)
    try:
        with sounding:
            yield sounding, listening
    finally:
        player.close()


def cue(code: str, moment: float, *, weight: Weight = Weight.RESULT, tone: Tone | None = None) -> Sound:
    return Sound(code, tone, code, weight, moment)


def without_silence(heard: "array[int]") -> "array[int]":
    first = next(at for at, value in enumerate(heard) if value)
    return heard[first:]


def test_a_tone_is_heard_whole_and_at_once() -> None:
    with ear() as (sounding, listening):
        assert soon(lambda: len(listening.heard) > 0)
        sounding.add(Sound("pass", Tone.PASS, "", Weight.RESULT, 1.0))
        told = len(listening.heard)
        assert soon(lambda: listening.began is not None)
    assert listening.began is not None
    assert listening.began <= told + listening.longest  # with what the device takes next, or is taking
    whole = without_silence(samples(Tone.PASS))
    assert without_silence(listening.heard)[: len(whole)] == whole


def test_real_speech_follows_the_tone_and_leaving_waits_for_its_end() -> None:
    voice = Voice("en", 400)
    with ear(voice.speak) as (sounding, listening):
        sounding.add(cue("All is well here", 1.0, tone=Tone.PASS))
    speech = voice.speak("All is well here")
    assert len(without_silence(listening.heard)) > len(samples(Tone.PASS)) + 0.9 * len(speech)


def test_a_slow_voice_delays_neither_the_tone_nor_whoever_hands_over() -> None:
    released = threading.Event()
    in_time = []

    def slow(_: str) -> "array[int]":
        in_time.append(released.wait(60))
        return array("h", [500] * 100)

    with ear(slow) as (sounding, listening):
        for moment in range(50):
            sounding.add(cue("unclear", moment, tone=Tone.UNCLEAR))
        assert soon(lambda: listening.began is not None)  # although nothing was spoken yet
        released.set()
    assert in_time  # who waits for the voice cannot release it
    assert all(in_time)


def test_only_the_newest_is_said_after_a_long_phrase() -> None:
    said = []
    first = threading.Event()

    def speak(phrase: str) -> "array[int]":
        said.append(phrase)
        first.wait(60)
        return array("h", [500] * 100)

    with ear(speak) as (sounding, _):
        sounding.add(cue("a", 0.0))
        while not said:
            time.sleep(0.01)
        for moment, phrase in enumerate("bcd", start=1):
            sounding.add(cue(phrase, float(moment)))
        first.set()
    assert said == ["a", "d"]


def test_leaving_after_an_error_does_not_wait(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sounding_module, "_LAST_WORDS_S", 60.0)

    def forever(_: str) -> "array[int]":
        return array("h", [500] * (60 * RATE))

    def interrupted() -> None:
        with ear(forever) as (sounding, _):
            sounding.add(cue("on and on", 0.0))
            raise KeyboardInterrupt

    began = time.monotonic()
    with pytest.raises(KeyboardInterrupt):
        interrupted()
    assert time.monotonic() - began < 50  # waiting for the end of what is said takes 60


def test_a_computer_without_a_device_says_so() -> None:
    def pull(frames: int) -> "array[int]":
        return array("h", bytes(2 * frames))

    elsewhere = [miniaudio.Backend.WEBAUDIO]  # of a browser: never here
    with pytest.raises(PlayerError, match="no sound: this computer has no loudspeaker"):
        Player(pull, elsewhere)
