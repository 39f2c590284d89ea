"""The short form of `decode_speed.py`: it runs, and has a row a format. Times are not judged."""

import re

import pytest

import decode_speed


def test_it_prints_one_row_a_format(capsys: pytest.CaptureFixture[str]) -> None:
    decode_speed.main(0)
    heading, *rows = (line.split() for line in capsys.readouterr().out.splitlines())
    assert heading == ["format", "frames/s", "construct", "ratio"]
    assert [row[0] for row in rows] == decode_speed.names()
    assert {row[0] for row in rows} > set(decode_speed.LAYOUTS)
    for _, our_rate, their_rate, ratio in rows:
        assert float(our_rate.replace(",", "")) > 0
        assert float(their_rate.replace(",", "")) > 0
        assert re.fullmatch(r"\d+\.\d\d", ratio)  # which a busy machine makes 0.00 of one short look


@pytest.mark.parametrize("name", decode_speed.LAYOUTS)
def test_each_layout_takes_every_frame_of_its_format_apart(name: str) -> None:
    layout = decode_speed.LAYOUTS[name]
    frames = decode_speed.frames_of(name)
    assert frames
    for frame in frames:
        parsed = layout.parse(frame)
        if isinstance(parsed, bytes):
            assert parsed + b"\n" == frame or parsed == frame
        else:
            assert layout.build(parsed) == frame
