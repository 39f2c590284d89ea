"""`steadypoint report` as PDF: an archive file, readable in black and white, with nothing cut off."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pikepdf
import pytest

from commands import steadypoint, steadypoint_apart
from meterlink.note import Note
from meterlink.paper.procedure_sheet import PERMIT
from meterlink.paper.typeset import Paper
from meterlink.record.codec import to_entry
from meterlink.report.sheet import pdf
from pdf_pages import Pdf, bare, off_the_page, overlapping, read_pdf
from record_samples import at
from report_jobs import (
    Content,
    content_of,
    fitted,
    found,
    many_touches,
    over,
    procedure_of,
    reading_step,
    recorded,
    simulated,
    touched,
)

pytestmark = pytest.mark.timeout(400)
"""Every sign of many pages is looked at, which takes its time on a loaded machine."""

WORDS = "Wörter mit Ω, ± und µ, dazu Größe; "
LONG = (WORDS * 60)[:2000].strip()
SOLID = "W" * 2000
TWO = procedure_of([reading_step(1), reading_step(2)])


@pytest.fixture(scope="module")
def stopped(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    """A start-up check that an open final limit stopped."""
    home = tmp_path_factory.mktemp("stopped")
    return home, simulated(home, "open-final-limit", "--lift", "L-17", "--operator", "crew 1")


def written(home: Path, job: str, file: Path, *options: str) -> Pdf:
    told = steadypoint(home, "report", job, "-o", str(file), *options)
    assert (told.returncode, told.stderr) == (0, "")
    return read_pdf(file)


def sound_layout(found: Pdf) -> None:
    for page in found.pages:
        assert page.coloured == 0
        assert page.smallest >= 8.99
        assert page.loose_fonts == ()
        assert off_the_page(page) == []
        assert overlapping(page) == []


@pytest.mark.parametrize(("paper", "wide"), [("a4", 210 / 25.4 * 72), ("letter", 8.5 * 72)])
def test_page_one_is_the_summary_and_the_rest_follows_in_order(
    stopped: tuple[Path, str], paper: str, wide: float, tmp_path: Path
) -> None:
    home, job = stopped
    told = written(home, job, tmp_path / "job.pdf", "--paper", paper)
    sound_layout(told)
    first = bare(told.pages[0].text)
    for text in (
        PERMIT,
        "NOT COMPLETE",
        "B1:11 and B1:12",
        "L-17",
        "crew 1",
        "FAIL B1:12: 0.0000 V",
        "11 ● pass",
        "1 ○ fail",
    ):
        assert bare(text) in first, text
    assert "Cautions" not in first
    order = [
        "Cautions that were",
        "What was run",
        "Instrument and calibration",
        "The steps",
        "Where the limits come from",
    ]
    order += ["Jumper register", "Faults found and repaired", "Notes and photos", "What the meter could not see"]
    order += ["Breaks, and what", "Seal, and how to verify it", "Every touch"]
    places = [told.text.rindex(bare(each)) for each in order]
    assert places == sorted(places)
    assert {round(page.width) for page in told.pages} == {round(wide)}
    for number, page in enumerate(told.pages, 1):
        for text in (PERMIT, f"{number} of {len(told.pages)}", job):
            assert bare(text) in bare(page.text)
    assert f"steadypointverify{job}" in told.text


def test_it_says_all_that_the_content_says(stopped: tuple[Path, str], tmp_path: Path) -> None:
    home, job = stopped
    told = written(home, job, tmp_path / "job.pdf").text
    assert [text for text in _texts(content_of(home, job)) if bare(text) not in told] == []


def _texts(content: Content) -> Iterator[str]:
    for key in ("cautions", "unseen"):
        yield from content[key]
    for key in ("whole", "warnings", "sources", "breaks", "about"):
        yield from (each["text"] for each in content[key])
    for step in content["steps"]:
        yield from (
            step[key] for key in ("id", "point", "value", "uncertainty", "inside", "time", "setting", "word", "why")
        )
        yield from (*step["limits"], *step["earlier"], *filter(None, (step["asked"], step["heading"])))
    for touch in content["touches"]:
        yield from (touch[key] for key in ("time", "where", "outcome", "value", "verdict"))
    for seal in content["seal"]["seals"]:
        yield from (seal[key] for key in ("key", "head", "public_key", "signature"))


def test_it_is_pdf_a_2a_and_pdf_ua_1(stopped: tuple[Path, str], tmp_path: Path) -> None:
    """What ISO 19005-2 asks of a file for level A and can be looked up in it; the list is from memory."""
    home, job = stopped
    written(home, job, tmp_path / "job.pdf")
    with pikepdf.open(tmp_path / "job.pdf") as file:
        root = file.Root
        meta = file.open_metadata()
        assert (meta["pdfaid:part"], meta["pdfaid:conformance"], meta["pdfuaid:part"]) == ("2", "A", "1")
        assert meta["xmp:CreateDate"][:4].isdigit()
        (intent,) = root.OutputIntents
        assert intent.S == "/GTS_PDFA1"
        assert len(intent.DestOutputProfile.read_bytes()) > 100
        assert root.MarkInfo.Marked
        assert str(root.Lang).startswith("en")
        assert not file.is_encrypted
        assert "/ID" in file.trailer
        assert not {"/AA", "/OpenAction", "/AcroForm"} & set(root.keys())
        assert not {"/JavaScript", "/EmbeddedFiles"} & set(root.get("/Names", pikepdf.Dictionary()).keys())
        kinds = _kinds(root.StructTreeRoot)
        assert {"/Document", "/H1", "/H2", "/P", "/Table", "/TR", "/TH", "/TD", "/Figure"} <= set(kinds)
        assert _without_words(root.StructTreeRoot) == 0
        for each in file.objects:
            if isinstance(each, pikepdf.Dictionary) and each.get("/Type") == "/FontDescriptor":
                assert {"/FontFile", "/FontFile2", "/FontFile3"} & set(each.keys())
            if isinstance(each, pikepdf.Stream):
                assert "/LZWDecode" not in str(each.get("/Filter", ""))
                assert "/F" not in each.keys()  # noqa: SIM118 - a PDF stream is no mapping of Python's
        assert file.check_pdf_syntax() == []


def _elements(parent: Any) -> Iterator[Any]:
    kids = parent.get("/K", [])
    for kid in kids if isinstance(kids, pikepdf.Array) else [kids]:
        if isinstance(kid, pikepdf.Dictionary) and "/S" in kid:
            yield kid
            yield from _elements(kid)


def _kinds(tree: Any) -> list[str]:
    return [str(each.S) for each in _elements(tree)]


def _without_words(tree: Any) -> int:
    return sum(each.S == "/Figure" and not str(each.get("/Alt", "")) for each in _elements(tree))


def test_the_same_job_gives_the_same_bytes(stopped: tuple[Path, str], tmp_path: Path) -> None:
    home, job = stopped
    for suffix in ("pdf", "html"):
        made = []
        for seed, zone in (("1", "Asia/Tokyo"), ("2", "America/Lima")):
            file = tmp_path / f"{seed}.{suffix}"
            more = {"PYTHONHASHSEED": seed, "TZ": zone}
            assert steadypoint_apart(home, "report", job, "-o", str(file), more=more).returncode == 0
            made.append(file.read_bytes())
        assert made[0] == made[1]


def longest(home: Path) -> str:
    """A job whose every text is as long as one may be, and longer."""
    steps = [reading_step(number) for number in range(40)]
    for number, text in ((3, LONG), (4, SOLID)):
        steps[number] = reading_step(number, point=text, source=text, reference=text)
    entries = []
    for number in range(30):
        reason = {3: LONG, 5: SOLID}.get(number)
        entries += touched(f"p{number}", "1.00" if number % 2 else "24.96", 1000 + 4000 * number, reason)
    entries += [fitted(SOLID, 200_000, LONG), fitted(LONG, 200_001, SOLID), found(SOLID, 200_010), found(LONG, 200_011)]
    entries += [to_entry(Note(text, SOLID[:200], at(200_020))) for text in (LONG, SOLID)]
    text = procedure_of(steps, title=SOLID, cautions=[LONG, SOLID], revision="W" * 20)
    return recorded(home, text, [*entries, over(300_000, complete=False)], lift=SOLID, operator=LONG)


@pytest.mark.parametrize("paper", list(Paper))
def test_the_longest_texts_fit_and_page_one_stays_one_page(paper: Paper, tmp_path: Path) -> None:
    content = content_of(tmp_path, longest(tmp_path))
    told = read_pdf(pdf(content, paper))
    sound_layout(told)
    assert bare("Cautions that were") in bare(told.pages[1].text)
    assert told.text.count(bare(WORDS)) > 8 * 50
    assert told.text.count("W") > 12 * 1900


@pytest.mark.parametrize("paper", list(Paper))
def test_page_one_holds_every_warning_at_once(paper: Paper, tmp_path: Path) -> None:
    content = content_of(tmp_path, longest(tmp_path))
    warned = [{"head": "NOT INTACT: do not rely on this record.", "text": "w" * 239 + "…"}]
    warned += [
        {"head": f"{number} EVENTS LEFT OUT: each was altered or cannot be read.", "text": ""} for number in range(6)
    ]
    content |= {"warnings": warned, "checked": {"lines": [], "more": 40}}
    told = read_pdf(pdf(content, paper))
    assert bare("Cautions that were") in bare(told.pages[1].text)
    assert bare("13 more; see The steps.") in bare(told.pages[0].text)
    sound_layout(told)


def test_writing_from_right_to_left_is_printed_and_signs_without_a_letter_are_numbered(tmp_path: Path) -> None:
    notes = [to_entry(Note(text, "crew 1", at(100))) for text in ("הכיסוי חסר", "غطاء", "ok 👍 扉 👩‍👧", "plain")]
    job = recorded(tmp_path, TWO, [*notes, over(400, complete=False)])
    told = written(tmp_path, job, tmp_path / "job.pdf")
    for text in ("ok [U+1F44D] [U+6249]", "[U+1F469]", "plain", "Signs that no font here has"):
        assert bare(text) in told.text
    assert any("\u0590" < sign < "\u05ff" for sign in told.text)
    sound_layout(told)


def test_500_touches_are_set_whole(tmp_path: Path) -> None:
    told = read_pdf(pdf(content_of(tmp_path, many_touches(tmp_path, 500)), Paper.A4))
    assert told.text.count("PASS24.96V") == 500
    sound_layout(told)


@pytest.mark.parametrize(
    "hostile",
    [
        '#eval("6 * 7 + 10000000000")',
        "#import \"look.typ\": *; #panic('out')",
        "*bold* _slanted_ $x^2$ `raw` @ref <label> \\ // gone /* gone */ ~ -- ---",
        '"); #read("look.typ") ("',
        "</text></svg><script>alert(1)</script>",
    ],
)
def test_what_a_text_holds_is_never_taken_for_markup(hostile: str, tmp_path: Path) -> None:
    step = reading_step(1, point=hostile, source=hostile, reference=hostile)
    entries = [
        to_entry(Note(hostile, hostile, at(100))),
        fitted(hostile, 200, hostile),
        *touched("p1", "1.00", 500, hostile),
    ]
    text = procedure_of([step], title=hostile, cautions=[hostile])
    told = written(tmp_path, recorded(tmp_path, text, [*entries, over(9000)], hostile, hostile), tmp_path / "job.pdf")
    assert told.text.count(bare(hostile)) >= 10
    assert "10000000042" not in told.text


@pytest.mark.parametrize(
    ("arguments", "expected"),
    [
        (["-o", "job.txt"], "expected a name that ends in .pdf or .html"),
        (["-o", "nowhere/job.pdf"], "nowhere/job.pdf: cannot be written: No such file or directory"),
        ([], "Missing option"),
        (["-o", "job.pdf", "--paper", "a5"], "is not one of"),
    ],
)
def test_wrong_usage_is_told(
    arguments: list[str], expected: str, stopped: tuple[Path, str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    home, job = stopped
    monkeypatch.chdir(tmp_path)
    told = steadypoint(home, "report", job, *arguments)
    assert told.returncode == 2
    assert expected in told.stderr
    assert list(tmp_path.iterdir()) == []


def test_an_unknown_job_is_told_and_an_archive_is_taken(stopped: tuple[Path, str], tmp_path: Path) -> None:
    home, job = stopped
    assert "no job 'nothing'" in steadypoint(home, "report", "nothing", "-o", str(tmp_path / "job.pdf")).stderr
    archive = tmp_path / "job.zip"
    steadypoint(home, "export", job, "--as", "archive", "-o", str(archive))
    (tmp_path / "other").mkdir()
    there = written(tmp_path / "other", str(archive), tmp_path / "there.pdf")
    assert bare("unknown: compare it with its owner's") in there.text
