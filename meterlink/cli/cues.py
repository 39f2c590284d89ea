"""`steadypoint cues`: the tones and sample phrases as files, to listen to and to get used to."""

import json
from array import array
from pathlib import Path

import click

from meterlink.cues.languages import LANGUAGES
from meterlink.cues.samples import sample_phrases
from meterlink.cues.tones import RATE, Tone, samples
from meterlink.cues.voice import Voice
from meterlink.cues.wav import write_wav
from meterlink.errors import FileError


@click.command("cues", short_help="Write every tone and a sample of every phrase as WAV files.")
@click.option("--write", "folder", required=True, type=click.Path(path_type=Path), metavar="FOLDER", help="Where to.")
@click.option("--language", type=click.Choice(list(LANGUAGES)), help="What is spoken; every language unless told.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object a file.")
def command(folder: Path, language: str | None, as_json: bool) -> None:
    """Write every tone, and a sample phrase of every cue, into FOLDER: pass.wav, pass-en.wav and so on.

    Files are named by the cue's code. Where this computer has no voice, the tones are written all the same; then the
    exit status is 2.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for tone in Tone:
            _write(folder / f"{tone}.wav", samples(tone), str(tone), as_json=as_json)
        for each in [language] if language else LANGUAGES:
            voice = Voice(each)
            for code, phrase in sample_phrases(each):
                speech = voice.speak(phrase)
                _write(folder / f"{code}-{each}.wav", speech, code, each, phrase, as_json=as_json)
    except OSError as error:
        raise FileError(str(folder), f"cannot be written: {error.strerror}") from error


def _write(
    path: Path, sound: "array[int]", code: str, language: str | None = None, phrase: str | None = None, *, as_json: bool
) -> None:
    write_wav(path, sound)
    seconds = round(len(sound) / RATE, 3)
    if as_json:
        line = {"file": str(path), "code": code, "language": language, "phrase": phrase, "seconds": seconds}
        click.echo(json.dumps(line, ensure_ascii=False))
    else:
        click.echo(f"{path}  {seconds:.2f} s  {phrase or 'tone'}")
