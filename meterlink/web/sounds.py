"""What an announcement sounds like on a page, in every language: the page chooses one. Pure."""

from meterlink.cues.announced import sound_of
from meterlink.cues.languages import LANGUAGES
from meterlink.cues.spoken import Speaker
from meterlink.cues.vocabulary import Brevity
from meterlink.outcome import Json
from meterlink.procedure.model import Procedure


class Sounds:
    """Puts one job's outcomes, in their order, into tones and phrases."""

    def __init__(self, procedure: Procedure) -> None:
        self._speakers = {
            f"{language}-{brevity}": Speaker(procedure, language, brevity)
            for language in LANGUAGES
            for brevity in (Brevity.FULL, Brevity.EXPERT)
        }

    def of(self, event: Json) -> Json | None:
        """The tone, how much it weighs, and the phrase by language and brevity; None for what is not heard."""
        heard = {name: sound_of(event, speaker) for name, speaker in self._speakers.items()}
        some = next(iter(heard.values()))
        if some is None:
            return None
        phrases = {name: sound.phrase for name, sound in heard.items() if sound is not None}
        return {"tone": some.tone.value if some.tone else None, "weight": int(some.weight), "phrases": phrases}
