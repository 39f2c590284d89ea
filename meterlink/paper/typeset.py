"""Sets a template with its content as PDF: tagged, fonts inside, nothing fetched, the same bytes for the same content.

The one room that knows the typesetting library. Content is handed over as JSON and read there as data: what a text
holds is never taken for markup.
"""

import json
import re
from collections.abc import Mapping, Sequence
from datetime import date
from enum import StrEnum
from importlib.resources import files
from pathlib import Path

import typst

from meterlink.errors import UsageError


class Paper(StrEnum):
    """Sizes of paper."""

    A4 = "a4"
    LETTER = "letter"


_TYPST_NAMES = {Paper.A4: "a4", Paper.LETTER: "us-letter"}
_NO_GLYPH = re.compile(r'the text `"(.+?)"` could not be displayed')
_MOST_NAMED = 8


class NoGlyphError(UsageError):
    """Signs that no font here has."""

    def __init__(self, signs: Sequence[str]) -> None:
        named = ", ".join(signs[:_MOST_NAMED]) + (" and more" if len(signs) > _MOST_NAMED else "")
        super().__init__(f"cannot be printed: no font here has {named}; expected Latin, Greek or Cyrillic")
        self.signs = signs


def typeset(template: str, content: Mapping[str, object], paper: Paper, issued: date | None = None) -> bytes:
    """Set a template of this folder.

    Args:
        template: its file's name without suffix.
        content: what it shows, as JSON has it; the key `issued` is added.
        paper: the size of the page.
        issued: the day of issue. With one the file is PDF/A-2a (ISO 19005-2) as well as PDF/UA-1 (ISO 14289-1), since
            an archive file must state a date; without, nothing in it tells when it was made.

    Returns:
        The PDF.

    Raises:
        NoGlyphError: signs are in none of the fonts: they have Latin, Greek and Cyrillic, and the signs of the trade.
    """
    folder = Path(str(files("meterlink.paper")))
    day = [issued.year, issued.month, issued.day] if issued else None
    compiler = typst.Compiler(
        folder / f"{template}.typ",
        root=folder,
        font_paths=typst.Fonts(include_system_fonts=False),
        sys_inputs={
            "content": json.dumps({**content, "issued": day}, ensure_ascii=False),
            "paper": _TYPST_NAMES[paper],
        },
    )
    try:
        pdf = compiler.compile(format="pdf", pdf_standards=["a-2a", "ua-1"] if issued else ["ua-1"])
    except typst.TypstError as error:
        signs = list(dict.fromkeys(_NO_GLYPH.findall(error.diagnostic)))
        if not signs:
            raise
        raise NoGlyphError(signs) from error
    if not isinstance(pdf, bytes):
        raise TypeError(f"expected one PDF, found {type(pdf)}")
    return pdf
