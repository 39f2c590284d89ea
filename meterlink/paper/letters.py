"""Texts as paper shows them. Pure."""

from meterlink.circuit.picture.lettering import clean


def plain_text(text: str) -> str:
    """One paragraph, without controls and without marks that turn the writing's direction."""
    return " ".join(map(clean, text.split()))


def shortened(text: str, most: int) -> str:
    """A text of at most that many signs; … stands where it was cut."""
    return text if len(text) <= most else f"{text[: most - 1]}…"
