"""Frames of one format given to the decoder of another: nothing is read, save where it cannot be told and is declared.

Which formats can be taken for each other follows from the shapes of their frames, compared vector by vector.
"""

from itertools import permutations

import pytest

from format_laws import decode
from frames import vectors
from meterlink.driver import Format
from meterlink_drivers.formats import (
    ble_count6,
    ble_lcd11_xor,
    dtm0660_lcd15,
    es519xx_2400_11,
    es51922_ascii14,
    es51986_19200_11,
    fs9721_lcd14,
    fs9922_ascii14,
)

FORMATS = [
    module.FORMAT
    for module in (
        fs9721_lcd14,
        dtm0660_lcd15,
        fs9922_ascii14,
        es51922_ascii14,
        es519xx_2400_11,
        es51986_19200_11,
        ble_count6,
        ble_lcd11_xor,
    )
]


@pytest.mark.parametrize(
    ("spoken", "heard"),
    list(permutations(FORMATS, 2)),
    ids=lambda wire: wire.name if isinstance(wire, Format) else None,
)
def test_no_format_is_taken_for_another_that_it_does_not_declare(spoken: Format, heard: Format) -> None:
    frames = [vector.data for vector in vectors(spoken.name)]
    taken = [item for frame in frames for item in decode(heard, frame * 4)]
    if heard.name in spoken.look_alikes:
        assert taken
    elif (spoken.name, heard.name) == ("dtm0660-lcd15", "fs9721-lcd14"):
        assert len(taken) == len(frames)  # the first frame of each stream; test_dtm0660.py says why
    else:
        assert taken == []


def test_look_alikes_name_each_other() -> None:
    by_name = {wire.name: wire for wire in FORMATS}
    for wire in FORMATS:
        assert all(wire.name in by_name[other].look_alikes for other in wire.look_alikes)
