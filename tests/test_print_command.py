"""`steadypoint print`: the paper version of a procedure, read back as an outside program reads it."""

import hashlib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest
import yaml

from commands import steadypoint, steadypoint_apart
from meterlink.circuit.load import load_circuit
from meterlink.paper.letters import plain_text
from meterlink.paper.procedure_sheet import PERMIT, procedure_sheet
from meterlink.prepared import prepare
from meterlink.procedure.load import LoadedProcedure, load_procedure, shipped
from meterlink.procedure.model import MeasuredStep, ReadingStep
from meterlink.procedure.parse import parse_procedure
from pdf_pages import MILLIMETRE, Pdf, bare, off_the_page, overlapping, read_pdf

A4 = (210 * MILLIMETRE, 297 * MILLIMETRE)
LETTER = (8.5 * 72, 11 * 72)
WORDS = "Wörter mit Ω, ± und µ, dazu Größe; "
LONG = (WORDS * 60)[:2000].strip()
SOLID = "W" * 2000

EVERY_KIND = """
procedure: all-kinds
title: Every kind of step
revision: 7
circuit: start-up
calibration: required
judging: {rule: simple, max_uncertainty: 10 %}
cautions: [Take care.]
references: [{name: earth bar, node: PE, where: Clip it to bare metal.}]
steps:
  - {id: lower-door, kind: ask, point: B3, ask: "Has the lower landing a door of its own?"}
  - {id: isolated, kind: dead, point: "F1:2", reference: earth bar, measure: dc-voltage, limits: -0.5..0.5 V,
     situation: isolated, known: {point: "G1:+", limits: 22..29 V}, source: practice, on_fail: stop}
  - group: Safety edge, each corner
    for: {corner: [front-left, rear], tag: [B5, B6]}
    if: lower-door
    steps:
      - {id: "edge-{corner}", kind: operate, point: "{tag}:11", reference: "{tag}:12", measure: continuity,
         closed: "<= 2 Ohm", times: 5, source: switch data sheets, remedy: Look at the switch.}
  - {id: hold, kind: watch, point: "K1:A1", reference: earth bar, measure: dc-voltage, limits: 20..29 V, least: 10 s,
     on_fail: go-to bank}
  - {id: relock, kind: interval, point: "B3:14", reference: earth bar, measure: dc-voltage, from: "-1..1 V",
     to: ">= 20 V", limits: 0.5..5 s}
  - {id: bank, kind: reading, point: "G1:+", reference: earth bar, measure: dc-voltage, expect: computed, holds: visit}
  - {id: fuse, kind: reading, point: "F1:2", reference: earth bar, measure: dc-voltage, limits: "0..0.3 V below G1:+"}
  - {id: breaker, kind: agree, point: "Q1:2", reference: earth bar, measure: dc-voltage, with: fuse, within: 0.3 V,
     judging: {rule: guarded}}
  - {id: latched, kind: look, point: Q1, ask: "Is it in?", if: not lower-door}
  - {id: j-factory, kind: bridge, jumper: factory, point: "X3:1-X3:2"}
  - {id: j-fit, kind: bridge, jumper: temporary, point: "X3:5-X3:6", why: Gate bypassed for the levelling run}
  - {id: j-out, kind: bridge, jumper: removed, point: "X3:5-X3:6"}
"""


def reading(number: int, **keys: str) -> dict[str, str]:
    step = {"id": f"step-{number}", "kind": "reading", "point": f"X{number}:1", "reference": "earth bar"}
    limits = {"limits": f"{number}.5..{number + 1}.5 V", "source": f"sheet {number}"}
    return step | {"measure": "dc-voltage"} | limits | keys


def text_of(*steps: Mapping[str, str], **keys: object) -> str:
    whole = {"procedure": "sample", "title": "Sample", "revision": "1", "cautions": ["Take care."]}
    return str(yaml.safe_dump({**whole, "steps": list(steps), **keys}, allow_unicode=True, sort_keys=False))


def printed(folder: Path, procedure: str, *options: str) -> Pdf:
    """Print a procedure, given by its text or its name, and read what came of it."""
    name, file = procedure, folder / "sheet.pdf"
    if "\n" in procedure:
        (folder / "sample.yaml").write_text(procedure, encoding="utf-8")
        name = str(folder / "sample.yaml")
    result = steadypoint(folder, "print", name, "-o", str(file), *options)
    assert (result.returncode, result.stderr) == (0, "")
    return read_pdf(file)


def sheet_of(text: str) -> dict[str, Any]:
    return procedure_sheet(prepare(LoadedProcedure(parse_procedure(text, "sample.yaml"), "sample.yaml", text)))


@pytest.mark.parametrize("name", shipped())
def test_paper_says_all_that_a_shipped_procedure_says(name: str, tmp_path: Path) -> None:
    pdf = printed(tmp_path, name)
    prepared = prepare(load_procedure(name))
    procedure = prepared.procedure
    said = [procedure.title, procedure.procedure, *procedure.cautions, *(each.where for each in procedure.references)]
    for step in procedure.steps:
        said += filter(None, (step.point, step.say, step.remedy))
        said += [step.source] if isinstance(step, MeasuredStep) and step.source else []
        said += [step.limits.text] if isinstance(step, ReadingStep) else []
    assert [text for text in said if bare(plain_text(text)) not in pdf.text] == []


def test_paper_begins_with_the_cautions_and_says_on_each_page_what_it_is_and_that_it_permits_nothing(
    tmp_path: Path,
) -> None:
    pdf = printed(tmp_path, "start-up")
    order = ["Before you start", "This visit", "Where the black lead goes", "How to judge", "The steps, in this order"]
    order += ["Where the limits come from", "Jumpers found or fitted", "Remarks and signature", "The circuit"]
    places = [pdf.text.index(bare(heading)) for heading in order]
    assert places == sorted(places)
    for number, page in enumerate(pdf.pages, 1):
        for text in ("Procedure start-up, revision 3", PERMIT, f"{number} of {len(pdf.pages)}"):
            assert bare(text) in bare(page.text)


@pytest.mark.parametrize(("paper", "size"), [("a4", A4), ("letter", LETTER)])
@pytest.mark.parametrize("procedure", ["start-up", EVERY_KIND], ids=["start-up", "every-kind"])
def test_paper_is_black_on_white_large_enough_and_within_its_margins(
    paper: str, size: tuple[float, float], procedure: str, tmp_path: Path
) -> None:
    pdf = printed(tmp_path, procedure, "--paper", paper)
    for page in pdf.pages:
        assert (page.width, page.height) == pytest.approx(size, abs=0.5)
        assert page.coloured == 0
        drawing = bare("Volts to PE") in bare(page.text) or bare("26.52 V live") in bare(page.text)
        assert page.smallest >= (8.99 if drawing else 9.99)
        if not drawing:  # its text is there whole on each of its pages, and clipped
            assert off_the_page(page) == []
            assert overlapping(page) == []


def test_its_fonts_are_inside_and_it_is_tagged(tmp_path: Path) -> None:
    pdf = printed(tmp_path, "start-up")
    data = (tmp_path / "sheet.pdf").read_bytes()
    assert pdf.tagged
    assert all(page.loose_fonts == () for page in pdf.pages)
    assert b"<pdfuaid:part>1</pdfuaid:part>" in data
    assert b"pdfaid:part" not in data
    assert b"CreateDate" not in data
    assert b"CreationDate" not in data


def test_with_a_day_of_issue_it_says_that_it_is_an_archive_file_too(tmp_path: Path) -> None:
    pdf = printed(tmp_path, "start-up", "--date", "2026-03-02")
    assert "Issuedon2026-03-02." in pdf.text
    data = (tmp_path / "sheet.pdf").read_bytes()
    assert b"<pdfaid:part>2</pdfaid:part>" in data
    assert b"<pdfaid:conformance>A</pdfaid:conformance>" in data
    assert b"<pdfuaid:part>1</pdfuaid:part>" in data
    assert b"2026-03-02" in data


def test_every_kind_of_step_is_laid_out(tmp_path: Path) -> None:
    pdf = printed(tmp_path, EVERY_KIND)
    for text in (
        "Has the lower landing a door of its own?",
        "Touch the known source, G1:+ to earth bar, then F1:2, then the known source again.",
        "source after",
        "Safety edge, each corner",
        "Only if: step 1 (B3) is answered yes",
        "Only if: step 1 (B3) is answered no",
        "Work it 5 times",
        "of 5",
        "while the lift travels, for 10 s at least",
        "go on with step 7 (G1:+).",
        "The time runs from -1..1 V to >= 20 V.",
        "0.5..5 s",
        "0..0.3 V below G1:+ (step 7)",
        "within 0.3 V of step 8 (F1:2)",
        "Judged: guarded, k = 2",
        "factory-fit jumper",
        "Gate bypassed for the levelling run",
        "Is this jumper taken out?",
        "Only with a meter whose calibration is valid today.",
        "Charger unplugged, battery unplugged, main fuse out: for ohms",
    ):
        assert bare(text) in pdf.text, text


def test_limits_that_the_circuit_gives_are_worked_out(tmp_path: Path) -> None:
    pdf = printed(tmp_path, EVERY_KIND)
    computed = prepare(load_procedure(tmp_path / "sample.yaml")).computed
    assert computed is not None
    assert bare(computed["bank"]) in pdf.text
    assert bare("Computed from the circuit start-up, situation rest, worst case of its parts") in pdf.text


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_the_longest_texts_fit(paper: str, tmp_path: Path) -> None:
    steps = [reading(number) for number in range(60)]
    for number, text in ((3, LONG), (4, SOLID)):
        steps[number] = reading(number, point=text, say=text, remedy=text, source=text, reference=text)
    references = [{"name": text, "where": text} for text in (LONG, SOLID)]
    text = text_of(*steps, title=SOLID, revision="W" * 20, cautions=[LONG, SOLID], references=references)
    pdf = printed(tmp_path, text, "--paper", paper)
    for page in pdf.pages:
        assert off_the_page(page) == []
        assert overlapping(page) == []
    assert pdf.text.count("pass") >= 60
    assert pdf.text.count("W" * 20) > 5
    # A page's head and foot stand between two parts of a text that goes on overleaf.
    assert pdf.text.count(bare(WORDS)) > 6 * 50
    for number in range(5, 60):
        assert bare(f"X{number}:1") in pdf.text
        assert bare(f"{number}.5..{number + 1}.5 V [") in pdf.text


@pytest.mark.parametrize(
    "hostile",
    [
        '#eval("6 * 7 + 10000000000")',
        "#import \"look.typ\": *; #panic('out')",
        "*bold* _slanted_ $x^2$ `raw` @ref <label> \\ // gone /* gone */ ~ -- ---",
        '"); #read("look.typ") ("',
        "https://example.org/page = heading - list + item / term: it",
    ],
)
def test_what_a_text_holds_is_never_taken_for_markup(hostile: str, tmp_path: Path) -> None:
    step = reading(1, point=hostile, say=hostile, remedy=hostile, source=hostile, reference=hostile)
    references = [{"name": hostile, "where": hostile}]
    pdf = printed(tmp_path, text_of(step, title=hostile, cautions=[hostile], references=references))
    assert pdf.text.count(bare(hostile)) >= 9
    assert "10000000042" not in pdf.text


def test_a_sign_that_no_font_has_is_named(tmp_path: Path) -> None:
    (tmp_path / "sample.yaml").write_text(text_of(reading(1, point="扉")), encoding="utf-8")
    result = steadypoint(tmp_path, "print", str(tmp_path / "sample.yaml"), "-o", str(tmp_path / "sheet.pdf"))
    assert result.returncode == 2
    assert "no font here has 扉" in result.stderr
    assert not (tmp_path / "sheet.pdf").exists()


def test_the_same_file_gives_the_same_bytes_and_another_revision_another_prefix(tmp_path: Path) -> None:
    made = []
    for seed, zone in (("1", "Asia/Tokyo"), ("2", "America/Lima")):
        file = tmp_path / f"{seed}.pdf"
        more = {"PYTHONHASHSEED": seed, "TZ": zone}
        assert steadypoint_apart(tmp_path, "print", "start-up", "-o", str(file), more=more).returncode == 0
        made.append(file.read_bytes())
    assert made[0] == made[1]
    first, second = (sheet_of(text_of(reading(1), revision=revision))["identity"] for revision in "12")
    assert first.rpartition(" ")[2] != second.rpartition(" ")[2]


def test_texts_are_told_apart_by_their_sha_256(tmp_path: Path) -> None:
    pdf = printed(tmp_path, "start-up")
    for text in (load_procedure("start-up").source, load_circuit("start-up").source):
        assert f"SHA-256ofitstext{hashlib.sha256(text.encode()).hexdigest()[:12]}" in pdf.text


def test_a_circuit_that_never_rests_is_drawn_bare(tmp_path: Path) -> None:
    circuit = """
circuit: buzzer
title: A relay that lets itself go
reference: PE
elements:
  - {id: G1, kind: battery, from: PE, to: "G1:+", cells: 12, volts: 24..28 V}
  - {id: K1.1, kind: contact, from: "G1:+", to: "K1:A1", normally: closed, coil: K1}
  - {id: K1, kind: coil, from: "K1:A1", to: PE, resistance: 480 Ohm}
"""
    (tmp_path / "buzzer.yaml").write_text(circuit, encoding="utf-8")
    pdf = printed(tmp_path, text_of(reading(1), circuit="buzzer.yaml"))
    assert bare("Circuit buzzer, revision 1") in pdf.text
    assert "Voltsto" not in pdf.text


def test_a_search_that_comes_first_is_said(tmp_path: Path) -> None:
    found = printed(
        tmp_path, text_of(reading(1), circuit="two-stop-lift", begin_with="find", symptom="runs-up-not-down")
    )
    assert bare("Look for the fault first") in found.text
    assert bare("What the lift does:") in found.text


def test_another_file_of_the_name_is_replaced(tmp_path: Path) -> None:
    (tmp_path / "sheet.pdf").write_bytes(b"old")
    printed(tmp_path, "start-up")
    assert (tmp_path / "sheet.pdf").read_bytes().startswith(b"%PDF-")


@pytest.mark.parametrize(
    ("arguments", "expected"),
    [
        (["start-up", "-o", "sheet.txt"], "expected a name that ends in .pdf"),
        (["start-up", "-o", "nowhere/sheet.pdf"], "nowhere/sheet.pdf: cannot be written: No such file or directory"),
        (["start-up", "-o", "sheet.pdf", "--date", "yesterday"], "--date"),
        (["no-such", "-o", "sheet.pdf"], "no such file, and no shipped procedure of that id"),
        (["start-up"], "Missing option"),
        (["start-up", "-o", "sheet.pdf", "--paper", "a5"], "is not one of"),
    ],
)
def test_wrong_usage_is_told(
    arguments: list[str], expected: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    result = steadypoint(tmp_path, "print", *arguments)
    assert result.returncode == 2
    assert expected in result.stderr
    assert list(tmp_path.glob("*.pdf")) == []
