"""An output that lets what is told be heard, around the one that shows it."""

from meterlink.cues.announced import sound_of
from meterlink.cues.sounding import Sounding
from meterlink.cues.spoken import Speaker
from meterlink.outcome import Json
from meterlink.reading import Reading
from meterlink.run import Output


class HeardOutput:
    """Sound first, then the screen: handing a cue over takes no time, drawing does."""

    def __init__(self, shown: Output, sounding: Sounding, speaker: Speaker | None) -> None:
        """Stand around an output.

        Args:
            shown: the one that shows what is told.
            sounding: takes the cues.
            speaker: puts them into words; None for tones only.
        """
        self._shown, self._sounding, self._speaker = shown, sounding, speaker

    def tell(self, announcement: Json) -> None:
        """Let it be heard, and show it."""
        sound = sound_of(announcement, self._speaker)
        if sound is not None:
            self._sounding.add(sound)
        self._shown.tell(announcement)

    def live(self, reading: Reading) -> None:
        """Show it; every update would be too much to hear."""
        self._shown.live(reading)

    def tick(self) -> None:
        """Show how old things have become."""
        self._shown.tick()

    def warn(self, news: str) -> None:
        """Show it; what must be heard of the link is a cue too."""
        self._shown.warn(news)
