"""The languages that are spoken. Pure."""

from meterlink.cues.words import de, en, es, fr
from meterlink.cues.words.model import Words
from meterlink.errors import UsageError

LANGUAGES = {words.language: words for words in (en.WORDS, de.WORDS, fr.WORDS, es.WORDS)}


def words_of(language: str) -> Words:
    """Return a language's words.

    Raises:
        UsageError: it is not known.
    """
    if language not in LANGUAGES:
        raise UsageError(f"language {language!r}: expected one of {', '.join(LANGUAGES)}")
    return LANGUAGES[language]
