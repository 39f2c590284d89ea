"""Damage on the wire, in short; `python tests/damage.py` has the full figures and says why some rows are not zero."""

import pytest

from damage import NONE_AFTER_A_FLIP, WHY, Line, Row, lines, measure, table
from meterlink.registry import format_names

ROWS = [line.name for line in lines()]


def short(name: str) -> Row:
    return measure(Line(name), 10_000, 300, 40)


def test_every_format_has_a_row() -> None:
    assert set(format_names()) <= set(ROWS)


@pytest.mark.parametrize("name", ROWS)
def test_a_frame_with_one_flipped_bit_brings_no_wrong_verdict(name: str) -> None:
    row = short(name)
    assert row.flips == 300
    assert row.wrong_verdicts == []
    assert row.judged == row.touches  # and none fails to come: the touch is held
    if name in NONE_AFTER_A_FLIP:
        assert row.flips_wrong == 0
    elif row.flips_wrong or row.random_wrong:
        assert name in WHY


def test_the_table_has_a_line_for_each_row_and_the_reasons() -> None:
    row = Row("scpi-line", 10, 1, 20, 2, 3, 4, 4)
    head, figures, *rest = table([row])
    assert figures.split() == ["scpi-line", "10", "1", "20", "2", "3", "4", "4", "0"]
    assert any(WHY["scpi-line"] in line for line in rest)
    assert head.split()[0] == "format"
