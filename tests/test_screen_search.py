"""The screen while a fault is looked for: the circuit's rail stands in the place of the steps."""

import os
from functools import cache
from pathlib import Path

import pytest

from hunting import Chain, Hunting
from meterlink.circuit.marked import search_marks
from meterlink.circuit.picture.rail import rail_lines
from meterlink.reading import Flag, Function, Instant, Reading
from meterlink.screen import View, keys, render
from terminal_window import Window


def searching(touches: int = 0) -> Hunting:
    """The battery and the fuse are live, the relay is dead: a search has begun, and so many of its touches are done."""
    hunting = Hunting.at(Chain("B2")).touch("26.40").touch("26.40").dead()
    for _ in range(touches):
        hunting.obey()
    return hunting


def view_of(hunting: Hunting) -> View:
    """What the terminal shows of an engine, as `meterlink/cli/_outputs.py` puts it together."""
    engine = hunting.engine
    hunt = engine.hunt
    return View(
        title=engine.procedure.title,
        steps=engine.procedure.steps,
        current=engine.step.id,
        verdicts=engine.verdicts,
        limits=engine.limits(),
        reading=Reading("26.40", "V", Function.DC_VOLTAGE, Instant(0, 0), flags=frozenset({Flag.AUTO_RANGE})),
        said=[str(each["text"]) for each in hunting.of("cue")][-2:],
        searched=(hunt.search.circuit, search_marks(hunt.search, hunt.finding)) if hunt else None,
    )


@cache
def seen(touches: int) -> tuple[View, str]:
    """The view after so many touches of the search, and the point that is asked for."""
    hunting = searching(touches)
    return view_of(hunting), hunting.engine.step.point


def test_the_rail_shows_what_is_live_what_is_dead_what_is_suspected_and_where_to_probe() -> None:
    hunting = searching()
    picture = render(view_of(hunting), 80, 50)
    rows = {line[6:].split()[0]: line for line in picture if len(line[6:].split()) > 1}
    assert (rows["F1:2"][2:5], rows["F1:2"].split()[-1]) == ("┃ ●", "live")
    assert (rows["K1:A1"][2:5], rows["K1:A1"].split()[-1]) == ("│ ○", "dead")
    assert "26.40 V" in rows["F1:2"]
    # Three contacts of one kind between live and dead: a third each.
    assert all("suspect 33 %" in rows[part] for part in ("B1", "B2", "B3"))
    assert "suspect" not in rows["F1"]
    (pointed,) = [line for line in picture if line.startswith("▶")]
    assert hunting.engine.step.point in pointed
    assert pointed.rstrip().endswith("unknown, probe")
    assert picture[1] == "3 of 4 steps judged; looking for the fault"


def test_after_the_search_the_steps_are_back() -> None:
    hunting = searching().search()
    assert any("found faulty" in line for line in render(view_of(hunting), 80, 50))
    hunting.obey()
    picture = render(view_of(hunting), 80, 50)
    assert "looking for the fault" not in "\n".join(picture)
    (pointed,) = [line for line in picture if line.startswith("▶")]
    assert " K1:A1 " in pointed


@pytest.mark.parametrize("width", [20, 30, 40, 80, 132])
@pytest.mark.parametrize("height", [10, 12, 18, 20, 24, 60])  # at 16 by 20, words and large digits leave no room
@pytest.mark.parametrize("touches", [0, 2])
def test_the_picture_fills_any_window_exactly_and_keeps_where_to_probe(width: int, height: int, touches: int) -> None:
    view, point = seen(touches)
    picture = render(view, width, height)
    assert len(picture) == height
    assert max(map(len, picture)) <= width
    assert picture[-1] == keys(width)
    (pointed,) = [line for line in picture if line.startswith("▶")]
    assert point in pointed
    assert any(line.startswith("» ") for line in picture)


@pytest.mark.parametrize("width", [40, 80])
def test_the_rail_is_the_one_that_the_commands_draw(width: int) -> None:
    view, _ = seen(1)
    assert view.searched is not None
    whole = rail_lines(*view.searched, width)
    picture = render(view, width, 60)
    at = picture.index(whole[0])
    assert picture[at : at + len(whole)] == whole


@pytest.mark.skipif(os.name != "posix", reason="needs a pseudo-terminal")
@pytest.mark.parametrize("columns", [44, 100])
def test_on_a_real_terminal_a_search_is_seen_from_its_beginning_to_the_proof(tmp_path: Path, columns: int) -> None:
    meter = "sim:open:B1?circuit=start-up&speed=10&repairs=yes"
    arguments = ("find", "start-up", "--meter", meter, "--accept-cautions", "--sheet", "six-thousand-counts")
    with Window(tmp_path, *arguments, columns=columns, rows=40) as window:
        window.until_shown("looking for the fault")
        window.until(lambda: any(row.startswith("▶") and "probe" in row for row in window.rows))
        window.until(lambda: any("suspect" in row for row in window.rows))
        assert window.rows[-1].startswith("y yes  n no")
        window.until_shown("found faulty")
        (found,) = [row for row in window.rows if "found faulty" in row]
        assert "B1" in found.split()
        assert window.until_ended() == 0
        assert "open:B1" in window.text
