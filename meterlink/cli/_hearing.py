"""The options by which `check`, `resume` and `find` are told what is to be heard, and the output that lets it be."""

from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from enum import StrEnum
from functools import wraps
from typing import Any

import click

from meterlink.cli import complain
from meterlink.cues.languages import LANGUAGES
from meterlink.cues.mix import Loudness
from meterlink.cues.output import HeardOutput
from meterlink.cues.player import Player, PlayerError
from meterlink.cues.sounding import Sounding
from meterlink.cues.spoken import Speaker
from meterlink.cues.vocabulary import Brevity
from meterlink.cues.voice import FASTEST, SLOWEST, USUAL_RATE, Voice, VoiceError
from meterlink.procedure.model import Procedure
from meterlink.run import Output


class Heard(StrEnum):
    """What is heard."""

    OFF = "off"
    TONES = "tones"
    VOICE = "voice"
    """Tones and speech."""


@dataclass(frozen=True, slots=True)
class Hearing:
    """What the user wants to hear."""

    sound: Heard | None = None
    """None: voice on a terminal, else nothing."""
    language: str = "en"
    volume: int = 100
    """In percent."""
    rate: int = USUAL_RATE
    """Words a minute."""
    brevity: Brevity = Brevity.FULL
    earphones: bool = False
    """Whether wireless earphones are kept awake."""

    @property
    def options(self) -> list[str]:
        """The same as options of a command, where they are not the usual ones."""
        usual, words = Hearing(), ["--earphones"] if self.earphones else []
        for name in ("sound", "language", "volume", "rate", "brevity"):
            value = getattr(self, name)
            if value != getattr(usual, name):
                words += [f"--{name}", str(value)]
        return words


language_option = click.option(
    "--language",
    type=click.Choice(list(LANGUAGES)),
    default="en",
    envvar="STEADYPOINT_LANGUAGE",
    show_default=True,
    show_envvar=True,
    help="What is spoken.",
)


def hearing_options(command: Callable[..., None]) -> Callable[..., None]:
    """Add the options to a command, which gets them as `hearing`."""

    @click.option(
        "--sound",
        type=click.Choice([each.value for each in Heard]),
        help="What is heard; voice on a terminal, else off.",
    )
    @language_option
    @click.option("--volume", type=click.IntRange(0, 100), default=100, show_default=True, help="In percent.")
    @click.option(
        "--rate",
        type=click.IntRange(SLOWEST, FASTEST),
        default=USUAL_RATE,
        show_default=True,
        help="Words a minute that are spoken.",
    )
    @click.option(
        "--brevity",
        type=click.Choice([each.value for each in Brevity]),
        default=Brevity.FULL.value,
        show_default=True,
        help="How much is said; expert: the point and the result.",
    )
    @click.option("--earphones", is_flag=True, help="Keep wireless earphones awake with near-silent noise.")
    @wraps(command)
    def with_hearing(
        *args: Any,
        sound: str | None,
        language: str,
        volume: int,
        rate: int,
        brevity: str,
        earphones: bool,
        **kwargs: Any,
    ) -> None:
        wanted = Heard(sound) if sound else None
        hearing = Hearing(wanted, language, volume, rate, Brevity(brevity), earphones)
        command(*args, hearing=hearing, **kwargs)

    return with_hearing


@contextmanager
def heard(shown: Output, procedure: Procedure, hearing: Hearing, *, on_terminal: bool) -> Iterator[Output]:
    """Let what is shown be heard too, as far as this computer can; what it cannot is said once."""
    wanted = hearing.sound or (Heard.VOICE if on_terminal else Heard.OFF)
    if wanted is Heard.OFF:
        yield shown
        return
    voice = _voice(hearing) if wanted is Heard.VOICE else None
    speaker = Speaker(procedure, hearing.language, hearing.brevity) if voice else None
    sounding = Sounding(Loudness(hearing.volume / 100, hearing.earphones), voice.speak if voice else None)
    with ExitStack() as stack:
        try:
            player = Player(sounding.pull)
        except PlayerError as error:
            complain(error)
            yield shown
            return
        stack.callback(player.close)
        stack.enter_context(sounding)
        yield HeardOutput(shown, sounding, speaker)


def _voice(hearing: Hearing) -> Voice | None:
    try:
        return Voice(hearing.language, hearing.rate)
    except VoiceError as error:
        click.echo(f"steadypoint: {error}; going on with tones only", err=True)
        return None
