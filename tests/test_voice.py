"""The voice: real speech of the right language from the real engine, and a clear sentence where there is none."""

import ctypes.util
import subprocess
import sys
from array import array

import pytest

from meterlink.cues.espeak import Engine, EngineError
from meterlink.cues.languages import LANGUAGES
from meterlink.cues.samples import sample_phrases
from meterlink.cues.tones import FULL, RATE
from meterlink.cues.voice import Voice, VoiceError
from phonemes import phonemes

# One, two, three in IPA, as dictionaries have them (Cambridge, Duden, Le Robert, DLE; from memory), without stress.
COUNTED = {
    "en": ("1 2 3", "wɒntuθɹi"),
    "de": ("1 2 3", "aɪnstsvaɪdɾaɪ"),
    "fr": ("1, 2, 3", "œ̃døtʁwa"),
    "es": ("1, 2, 3", "unodostɾes"),
}


def loudness(speech: "array[int]") -> float:
    return float((sum(value * value for value in speech) / len(speech)) ** 0.5) / FULL


@pytest.mark.parametrize("language", LANGUAGES)
def test_every_sample_phrase_is_speech_of_a_sensible_length(language: str) -> None:
    voice = Voice(language)
    for code, phrase in sample_phrases(language):
        speech = voice.speak(phrase)
        seconds = len(speech) / RATE
        assert loudness(speech) > 0.02, code
        assert max(map(abs, speech)) <= FULL
        # Read aloud, 4 to 30 characters a second, and a breath (common practice, no source).
        assert len(phrase) / 30 < seconds < len(phrase) / 4 + 1.5, code


@pytest.mark.parametrize("language", LANGUAGES)
def test_a_language_is_spoken_by_its_own_rules(language: str) -> None:
    written, said = COUNTED[language]
    assert phonemes(written, language) == said


def test_each_language_has_a_voice_of_its_own() -> None:
    spoken = [Voice(language).speak("24 volt 1 2 3").tobytes() for language in LANGUAGES]
    assert len(set(spoken)) == len(LANGUAGES)


def test_a_faster_voice_takes_less_time() -> None:
    slow, fast = (len(Voice("en", rate).speak("Touch X one, four.")) for rate in (100, 300))
    assert slow > 1.8 * fast


@pytest.mark.parametrize("text", ["", " ", "\0", "<b>&amp;", "[[x]]", "²³ µ Ω → ½", "a" * 5000])
def test_any_text_can_be_spoken(text: str) -> None:
    assert isinstance(Voice("en").speak(text), array)


def test_a_language_that_the_engine_lacks_is_a_clear_error() -> None:
    with pytest.raises(VoiceError, match=r"no voice: .* 'tlh-x'"):
        Voice("tlh-x")


def test_a_computer_without_the_engine_is_a_clear_error(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "espeakng_loader", None)  # as if not installed
    monkeypatch.setattr(ctypes.util, "find_library", lambda _: None)
    with pytest.raises(EngineError, match="install espeak-ng"):
        Engine()


def test_an_engine_that_falls_over_is_started_anew_and_takes_nobody_along() -> None:
    voice = Voice("en")
    whole = voice.speak("Touch X one, four.")
    voice._engine.kill()
    assert voice.speak("Touch X one, four.") == whole


def test_an_engine_that_falls_over_again_and_again_leaves_silence(monkeypatch: pytest.MonkeyPatch) -> None:
    voice = Voice("en")
    monkeypatch.setattr("meterlink.cues.voice._started", _fallen)
    voice._engine.kill()
    assert len(voice.speak("Touch X one, four.")) == 0


def _fallen() -> "subprocess.Popen[bytes]":
    return subprocess.Popen([sys.executable, "-c", ""], stdin=subprocess.PIPE, stdout=subprocess.PIPE)
