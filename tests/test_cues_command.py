"""`steadypoint cues`, and what `check` makes of a computer with and without sound."""

import json
import shutil
import subprocess
import sys
import wave
from pathlib import Path

import pytest
from click.testing import CliRunner

from meterlink.cli import cli
from meterlink.cli._hearing import Heard, Hearing
from meterlink.cues.languages import LANGUAGES
from meterlink.cues.mix import Loudness
from meterlink.cues.player import Player, PlayerError
from meterlink.cues.samples import sample_phrases
from meterlink.cues.sounding import Sounding
from meterlink.cues.tones import RATE, Tone, samples
from meterlink.cues.vocabulary import Brevity
from traces import PROCEDURE, blown_fuse
from waiting import PATIENCE_S


def written(folder: Path, *options: str) -> list[dict[str, object]]:
    result = CliRunner().invoke(cli, ["cues", "--write", str(folder), "--json", *options])
    assert result.exit_code == 0, result.output
    return [json.loads(line) for line in result.stdout.splitlines()]


def test_every_tone_and_every_phrase_is_a_valid_wav_file_named_by_its_code(tmp_path: Path) -> None:
    lines = written(tmp_path / "new" / "folder", "--language", "en")
    codes = [code for code, _ in sample_phrases("en")]
    names = {*(f"{tone}.wav" for tone in Tone), *(f"{code}-en.wav" for code in codes)}
    assert {path.name for path in (tmp_path / "new" / "folder").iterdir()} == names
    assert {Path(str(line["file"])).name for line in lines} == names
    for line in lines:
        with wave.open(str(line["file"])) as file:
            assert (file.getnchannels(), file.getsampwidth(), file.getframerate()) == (1, 2, RATE)
            frames = file.readframes(file.getnframes())
            assert len(frames) == 2 * file.getnframes()
            assert file.getnframes() / RATE == pytest.approx(line["seconds"], abs=0.001)
        assert any(frames)


def test_all_languages_are_written_unless_one_is_asked_for(tmp_path: Path) -> None:
    lines = written(tmp_path)
    assert {line["language"] for line in lines} == {None, *LANGUAGES}
    assert {path.name for path in tmp_path.glob("pass*.wav")} == {
        "pass.wav",
        *(f"pass-{language}.wav" for language in LANGUAGES),
    }


def test_tones_are_the_same_bytes_every_time(tmp_path: Path) -> None:
    script = (
        "from meterlink.cues.wav import *; from meterlink.cues.tones import *; import sys; from pathlib import Path\n"
    )
    script += "for tone in Tone: write_wav(Path(sys.argv[1]) / f'{tone}.wav', samples(tone))"
    for name in ("first", "second"):
        (tmp_path / name).mkdir()
        subprocess.run([sys.executable, "-c", script, str(tmp_path / name)], check=True, timeout=PATIENCE_S)
    for tone in Tone:
        first, second = ((tmp_path / name / f"{tone}.wav").read_bytes() for name in ("first", "second"))
        assert first == second
        assert first.endswith(samples(tone).tobytes())


def test_without_a_voice_the_tones_are_written_all_the_same(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("meterlink.cues.voice._started", _started_without_an_engine)
    result = CliRunner().invoke(cli, ["cues", "--write", str(tmp_path)])
    assert "no voice: install espeak-ng" in str(result.exception)
    assert {path.name for path in tmp_path.iterdir()} == {f"{tone}.wav" for tone in Tone}


def test_a_folder_that_cannot_be_written_is_a_clear_error(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("", encoding="utf-8")
    result = CliRunner().invoke(cli, ["cues", "--write", str(tmp_path / "file")])
    assert "file: cannot be written" in str(result.exception)


@pytest.fixture
def job(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> list[str]:
    monkeypatch.setenv("STEADYPOINT_HOME", str(tmp_path / "home"))
    (tmp_path / "p.yaml").write_text(PROCEDURE, encoding="utf-8")
    meter = blown_fuse().at(tmp_path / "t.jsonl")
    return ["check", str(tmp_path / "p.yaml"), "--meter", meter, "--accept-cautions"]


def has_a_device() -> bool:
    try:
        Player(Sounding(Loudness(), None).pull).close()
    except PlayerError:
        return False
    return True


def test_a_check_that_is_not_on_a_terminal_is_silent_and_says_nothing_of_sound(job: list[str]) -> None:
    result = CliRunner().invoke(cli, [*job, "--json"])
    assert "no sound" not in result.stderr


@pytest.mark.skipif(has_a_device(), reason="this computer can be heard")
@pytest.mark.parametrize("sound", ["tones", "voice"])
def test_a_check_without_a_device_says_so_once_and_goes_on(job: list[str], sound: str) -> None:
    silent = CliRunner().invoke(cli, [*job, "--json"])
    result = CliRunner().invoke(cli, [*job, "--json", "--sound", sound])
    assert result.exit_code == silent.exit_code
    assert result.stderr.count("steadypoint: no sound: ") == 1
    assert len(result.stdout.splitlines()) == len(silent.stdout.splitlines())


@pytest.mark.skipif(has_a_device(), reason="this computer can be heard")
def test_the_sound_library_s_own_complaints_stay_off_the_screen(job: list[str]) -> None:
    command = [shutil.which("steadypoint", path=str(Path(sys.executable).parent)) or "steadypoint", *job]
    result = subprocess.run(
        [*command, "--sound", "tones"], capture_output=True, text=True, check=False, timeout=PATIENCE_S
    )
    assert "ALSA" not in result.stderr
    assert result.stderr.count("no sound") == 1


def test_what_was_asked_for_goes_into_the_line_that_resumes() -> None:
    assert Hearing().options == []
    asked = Hearing(Heard.VOICE, "de", 60, 220, Brevity.EXPERT, earphones=True)
    words = "--earphones --sound voice --language de --volume 60 --rate 220 --brevity expert"
    assert asked.options == words.split()
    help_text = CliRunner().invoke(cli, ["resume", "--help"]).output
    assert all(word in help_text for word in asked.options if word.startswith("--"))


@pytest.mark.parametrize(
    "option", [("--sound", "loud"), ("--language", "xx"), ("--volume", "101"), ("--rate", "5"), ("--brevity", "none")]
)
def test_a_wrong_option_is_bad_usage(job: list[str], option: tuple[str, str]) -> None:
    result = CliRunner().invoke(cli, [*job, *option])
    assert result.exit_code == 2
    assert option[0] in result.output


def _started_without_an_engine() -> "subprocess.Popen[bytes]":
    """The real process on a computer on which neither the package nor the system has the engine."""
    lacking = (
        "import ctypes.util, sys; sys.modules['espeakng_loader'] = None; ctypes.util.find_library = lambda _: None; "
        "from meterlink.cues import espeak; espeak._serve()"
    )
    return subprocess.Popen([sys.executable, "-c", lacking], stdin=subprocess.PIPE, stdout=subprocess.PIPE)
