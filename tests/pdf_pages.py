"""Reads a PDF as an outside program does: its text, where each sign stands, its fonts, its marks."""

import ctypes
import unicodedata
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pypdfium2
from pypdfium2 import raw as pdfium

MILLIMETRE = 72 / 25.4
"""Points."""
SIDE = 15 * MILLIMETRE
FOOT = 9 * MILLIMETRE
"""The margins of all that we print."""


@dataclass(frozen=True, slots=True)
class Sign:
    """One visible sign and its box, in points from the page's lower left corner."""

    text: str
    left: float
    bottom: float
    right: float
    top: float


@dataclass(frozen=True, slots=True)
class Page:
    width: float
    height: float
    text: str
    signs: tuple[Sign, ...]
    coloured: int
    """How many of its dots, at 72 a inch, are neither black nor white nor grey."""
    loose_fonts: tuple[str, ...]
    """The fonts of its texts that are not inside the file."""
    smallest: float
    """The smallest letters' size, in points."""


@dataclass(frozen=True, slots=True)
class Pdf:
    pages: tuple[Page, ...]
    tagged: bool

    @property
    def text(self) -> str:
        """All its text, without spaces, since lines break where they must."""
        return bare("".join(page.text for page in self.pages))


def bare(text: str) -> str:
    """A text without spaces and without places to break, its ligatures as letters."""
    return "".join(unicodedata.normalize("NFKC", text).replace("\u200b", "").replace("\ufffe", "").split())


def read_pdf(file: Path | bytes) -> Pdf:
    """Read a whole PDF."""
    document = pypdfium2.PdfDocument(file)
    try:
        pages = tuple(_page(document[index]) for index in range(len(document)))
        return Pdf(pages, bool(pdfium.FPDFCatalog_IsTagged(document.raw)))
    finally:
        document.close()


def off_the_page(page: Page) -> list[Sign]:
    """The signs that stand in the margins or beyond."""
    return [
        sign
        for sign in page.signs
        if sign.left < SIDE - 2 or sign.right > page.width - SIDE + 2 or sign.bottom < FOOT or sign.top > page.height
    ]


def overlapping(page: Page) -> list[tuple[Sign, Sign]]:
    """Pairs of signs of which one covers a good part of the other."""
    row: dict[int, list[Sign]] = {}
    found = []
    for sign in page.signs:
        for other in row.get(round(sign.bottom / 10), []):
            wide = min(sign.right, other.right) - max(sign.left, other.left)
            high = min(sign.top, other.top) - max(sign.bottom, other.bottom)
            least = min((each.right - each.left) * (each.top - each.bottom) for each in (sign, other))
            if replace(sign, text=other.text) == other:
                continue  # two letters of one ligature
            if wide > 0 and high > 0 and wide * high > 0.7 * least:
                found.append((sign, other))
        for near in (-1, 0, 1):
            row.setdefault(round(sign.bottom / 10) + near, []).append(sign)
    return found


def _page(page: pypdfium2.PdfPage) -> Page:
    text_page = page.get_textpage()
    text = text_page.get_text_bounded()
    signs = tuple(_signs(text_page))
    dots = page.render(scale=1, rev_byteorder=True).to_numpy()[:, :, :3].astype(int)
    fonts = [pdfium.FPDFTextObj_GetFont(each.raw) for each in page.get_objects(filter=[pdfium.FPDF_PAGEOBJ_TEXT])]
    loose = tuple(_name(font) for font in fonts if not pdfium.FPDFFont_GetIsEmbedded(font))
    width, height = page.get_size()
    return Page(width, height, text, signs, int(np.sum(np.ptp(dots, axis=2) > 0)), loose, _smallest(page))


def _signs(text_page: pypdfium2.PdfTextPage) -> Iterator[Sign]:
    for index in range(text_page.count_chars()):
        text = text_page.get_text_range(index, 1)
        left, bottom, right, top = text_page.get_charbox(index)
        if bare(text) and right > left and top > bottom:
            yield Sign(text, left, bottom, right, top)


def _smallest(page: pypdfium2.PdfPage) -> float:
    size = ctypes.c_float()
    found = [1000.0]
    for each in page.get_objects(filter=[pdfium.FPDF_PAGEOBJ_TEXT], max_depth=1):
        pdfium.FPDFTextObj_GetFontSize(each.raw, size)
        found.append(size.value * abs(each.get_matrix().d))
    return min(found)


def _name(font: object) -> str:
    buffer = ctypes.create_string_buffer(200)
    pdfium.FPDFFont_GetBaseFontName(font, buffer, len(buffer))
    return buffer.value.decode()
