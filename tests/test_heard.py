"""A whole check as it is heard: the real command, the real sound library (ALSA), a loudspeaker that is a file."""

import ctypes.util
import os
import subprocess
import sys
import wave
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.signal import fftconvolve, resample_poly

from commands import jobs
from meterlink.cues.tones import FULL, RATE, Tone, samples
from traces import PROCEDURE, blown_fuse, sound
from waiting import PATIENCE_S

pytestmark = pytest.mark.skipif(
    ctypes.util.find_library("asound") is None and "CI" not in os.environ, reason="needs libasound2"
)

LOUDSPEAKER = """\
pcm.!default {{ type plug slave.pcm filed }}
pcm.filed {{ type file slave.pcm nothing file "{file}" format wav }}
pcm.nothing {{ type null }}
ctl.!default {{ type null }}
"""


def heard(folder: Path, meter: str, *options: str) -> tuple[NDArray[np.float64], str]:
    """Run a check; return what came out of the loudspeaker, at `RATE`, and what stood on standard error."""
    (folder / "p.yaml").write_text(PROCEDURE, encoding="utf-8")
    return listened(folder, "check", str(folder / "p.yaml"), "--meter", meter, "--accept-cautions", *options)


def listened(folder: Path, *arguments: str) -> tuple[NDArray[np.float64], str]:
    """Run a command and listen to it, as `heard` does."""
    file = folder / "heard.wav"
    (folder / "asound.conf").write_text(LOUDSPEAKER.format(file=file), encoding="utf-8")
    command = [sys.executable, "-m", "meterlink", *arguments]
    own = {"ALSA_CONFIG_PATH": str(folder / "asound.conf"), "STEADYPOINT_HOME": str(folder / "home")}
    silent = {"PULSE_SERVER": "none", "XDG_RUNTIME_DIR": str(folder)}  # no other way to a loudspeaker
    result = subprocess.run(
        command, env=os.environ | own | silent, capture_output=True, text=True, check=False, timeout=PATIENCE_S
    )
    with wave.open(str(file)) as wav:
        rate, channels = wav.getframerate(), wav.getnchannels()
        assert wav.getsampwidth() == 2
    # The header that ALSA wrote first knows nothing of the length yet; the samples follow it.
    taken = np.frombuffer(file.read_bytes()[44:][: (file.stat().st_size - 44) // 2 * 2], dtype="<i2")
    mono = taken[: len(taken) // channels * channels].reshape(-1, channels)[:, 0] / FULL
    return resample_poly(mono, RATE, rate), result.stderr


def likeness(taken: NDArray[np.float64], tone: Tone) -> float:
    """How well a tone is found in a recording: 1 where it is there sample by sample, alone."""
    wanted = np.array(samples(tone)) / FULL
    match = np.abs(fftconvolve(taken, wanted[::-1], mode="valid"))
    energy = np.maximum(fftconvolve(taken**2, np.ones(len(wanted)), mode="valid"), 1e-6)
    return float((match / np.sqrt(energy * np.sum(wanted**2))).max())


def test_a_check_that_fails_is_heard_to_fail(tmp_path: Path) -> None:
    taken, errors = heard(tmp_path, blown_fuse().at(tmp_path / "t.jsonl"), "--sound", "tones")
    assert errors == ""
    assert likeness(taken, Tone.FAIL) > 0.95
    assert likeness(taken, Tone.UNCLEAR) < 0.6


def test_a_check_that_passes_is_heard_to_pass(tmp_path: Path) -> None:
    taken, _ = heard(tmp_path, sound().at(tmp_path / "t.jsonl"), "--sound", "tones", "--volume", "50")
    assert likeness(taken, Tone.PASS) > 0.95
    assert likeness(taken, Tone.FAIL) < 0.6
    assert np.abs(taken).max() < 0.5


def test_words_follow_the_tone(tmp_path: Path) -> None:
    toned, _ = heard(tmp_path, blown_fuse().at(tmp_path / "t.jsonl"), "--sound", "tones")
    spoken, errors = heard(tmp_path, blown_fuse().at(tmp_path / "t.jsonl"), "--sound", "voice", "--language", "de")
    assert errors == ""
    assert likeness(spoken, Tone.FAIL) > 0.8
    assert np.sum(np.abs(spoken) > 0.01) > np.sum(np.abs(toned) > 0.01) + 2 * RATE


def test_a_replay_sounds_like_the_check(tmp_path: Path) -> None:
    taken, _ = heard(tmp_path, blown_fuse().at(tmp_path / "t.jsonl"), "--sound", "tones")
    (job,) = jobs(tmp_path / "home")
    again, errors = listened(
        tmp_path, "replay", str(job["job"]), "--speed", "max", "--sound", "tones", "--volume", "50"
    )
    assert "REPLAY" in errors
    assert likeness(again, Tone.FAIL) > 0.95
    assert likeness(again, Tone.UNCLEAR) < 0.6
    assert np.abs(again).max() == pytest.approx(np.abs(taken).max() / 2, rel=0.05)
