"""Photos in a report: shown upright and small, without what a telephone writes into them; damaged ones are told."""

import base64
import re
from collections.abc import Callable
from io import BytesIO
from pathlib import Path
from typing import Any

import pikepdf
from PIL import Image

from commands import steadypoint
from meterlink.record.photos import photo_path
from meterlink.report.pictures import with_pictures
from pdf_pages import bare, read_pdf
from sealed_job import sealed_job

ORIENTATION, MAKER = 0x0112, 0x010F
"""Exif tags (CIPA DC-008)."""
LYING = 6
"""Exif's word for a picture that is to be turned by 90 degrees clockwise."""


def taken(wide: int = 2400, high: int = 1200) -> bytes:
    """A photo as a telephone takes it, held upright: left half black."""
    picture = Image.new("RGB", (wide, high), "white")
    picture.paste("black", (0, 0, wide // 2, high))
    notes = Image.Exif()
    notes[ORIENTATION], notes[MAKER] = LYING, "Invented telephone"
    written = BytesIO()
    picture.save(written, "JPEG", exif=notes)
    return written.getvalue()


def shown(data: bytes | None) -> dict[str, Any]:
    """What a report's content has of a photo with these bytes."""
    photo = {"name": "cover.jpg", "size": 1, "sha256": "ab" * 32, "there": False, "svg": None}
    found: Callable[[str], bytes | None] = lambda sha256: data if sha256 == "ab" * 32 else None  # noqa: E731
    notes: Any = with_pictures({"notes": [{"text": "", "photo": photo}, {"text": "", "photo": None}]}, found)["notes"]
    assert notes[1]["photo"] is None
    return dict(notes[0]["photo"])


def inside(svg: str) -> bytes:
    (data,) = re.findall(r'href="data:image/jpeg;base64,([^"]+)"', svg)
    return base64.b64decode(data)


def test_a_photo_is_upright_small_and_says_nothing_of_where_it_was() -> None:
    photo = shown(taken())
    picture = Image.open(BytesIO(inside(photo["svg"])))
    assert photo["there"]
    assert picture.size == (500, 1000)
    assert picture.getpixel((250, 100)) == (0, 0, 0)
    assert picture.getpixel((250, 900)) == (255, 255, 255)
    assert len(picture.getexif()) == 0
    assert b"telephone" in taken()
    assert b"telephone" not in inside(photo["svg"])
    assert shown(taken()) == photo


def test_what_is_no_picture_is_told_and_not_shown() -> None:
    whole = taken()
    bomb = BytesIO()
    Image.new("1", (20_000, 20_000)).save(bomb, "PNG")
    for data in (b"", b"GIF89a", b"<svg onload='alert(1)'/>", whole[:300], bomb.getvalue()):
        assert (shown(data)["there"], shown(data)["svg"]) == (True, None)
    assert (shown(None)["there"], shown(None)["svg"]) == (False, None)


def test_both_reports_show_it_and_say_when_the_file_is_gone(tmp_path: Path) -> None:
    home = tmp_path / "home"
    job = sealed_job(home)
    (tmp_path / "cover.jpg").write_bytes(taken())
    kept = steadypoint(home, "note", job, "Cover back on", "--photo", str(tmp_path / "cover.jpg"))
    assert kept.returncode == 0
    for suffix in ("pdf", "html"):
        assert steadypoint(home, "report", job, "-o", str(tmp_path / f"job.{suffix}")).returncode == 0
    with pikepdf.open(tmp_path / "job.pdf") as file:
        pictures = [each for page in file.pages for each in page.get_images().values()]
        assert [(int(each.Width), int(each.Height)) for each in pictures] == [(500, 1000)]
        assert file.open_metadata()["pdfaid:conformance"] == "A"
    text = (tmp_path / "job.html").read_text(encoding="utf-8")
    assert Image.open(BytesIO(inside(text))).size == (500, 1000)
    (sha256,) = re.findall(r"<code>([0-9a-f]{64})</code></span><svg", text)
    photo_path(home, sha256).unlink()
    told = steadypoint(home, "report", job, "-o", str(tmp_path / "gone.pdf"))
    assert told.returncode == 0
    gone = read_pdf(tmp_path / "gone.pdf")
    assert bare("the file is not there, or was altered") in gone.text
    assert bare("NOT INTACT") in bare(gone.pages[0].text)
