"""The simulated meter's frames against vectors built from the chip's segment table, and against the decoder."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterlink.reading import Flag, Function, Instant, Reading
from meterlink_drivers.formats.fs9721_lcd14 import FORMAT
from meterlink_sim.encoders.fs9721_lcd14 import FRAME_LENGTH, encode

NOW = Instant(0, 0)
AUTO = frozenset({Flag.AUTO_RANGE})


def shown(
    display: str, function: Function = Function.DC_VOLTAGE, scale: int = 0, flags: frozenset[Flag] = AUTO
) -> Reading:
    return Reading(display, function.unit, function, NOW, scale, flags)


# Vectors constructed by hand from the FS9721_LP3-DS-21_EN segment table (second-hand transcriptions that agree);
# not captured from a meter.
@pytest.mark.parametrize(
    ("reading", "frame"),
    [
        (shown("24.06"), "17 25 3B 42 57 6F 7D 87 9E A0 B0 C0 D4 E0"),
        (shown("230.3", Function.AC_VOLTAGE), "1B 25 3B 41 5F 67 7D 89 9F A0 B0 C0 D4 E0"),
        (shown("-1.234", scale=-3, flags=frozenset({Flag.HOLD})), "15 28 35 4D 5B 61 7F 82 97 A0 B8 C1 D4 E0"),
        (shown("OL", Function.RESISTANCE, 6), "13 20 30 47 5D 6E 78 80 90 A0 B2 C4 D0 E0"),
        (shown("000.3", Function.CONTINUITY, flags=frozenset()), "11 27 3D 47 5D 67 7D 89 9F A0 B1 C4 D0 E0"),
        (shown("0.567", Function.DIODE, flags=frozenset()), "11 27 3D 4B 5E 67 7E 81 95 A1 B0 C0 D4 E0"),
        (
            shown("04.12", Function.DC_CURRENT, -6, frozenset({Flag.RELATIVE})),
            "15 27 3D 42 57 68 75 85 9B A8 B0 C2 D8 E0",
        ),
        (shown(""), "17 20 30 40 50 60 70 80 90 A0 B0 C0 D4 E0"),
    ],
)
def test_vectors_of_the_segment_table(reading: Reading, frame: str) -> None:
    assert encode(reading).hex(" ").upper() == frame


@given(
    digits=st.text("0123456789", min_size=4, max_size=4),
    point=st.integers(1, 3),
    minus=st.booleans(),
    kind=st.sampled_from([(Function.DC_VOLTAGE, -3), (Function.DC_VOLTAGE, 0), (Function.RESISTANCE, 3)]),
    hold=st.booleans(),
)
def test_the_decoder_reads_back_what_was_shown(
    digits: str, point: int, minus: bool, kind: tuple[Function, int], hold: bool
) -> None:
    display = f"{'-' if minus else ''}{digits[:point]}.{digits[point:]}"
    sent = shown(display, *kind, flags=AUTO | ({Flag.HOLD} if hold else set()))
    [received] = FORMAT.decoder({}).feed(encode(sent), NOW)
    assert isinstance(received, Reading)
    assert received == Reading(sent.display, sent.unit, sent.function, NOW, sent.scale, sent.flags, encode(sent))


def test_the_high_nibbles_count_from_1_to_14() -> None:
    assert [byte >> 4 for byte in encode(shown("24.06"))] == list(range(1, FRAME_LENGTH + 1))


@pytest.mark.parametrize(
    ("reading", "what"),
    [
        (shown("24.061"), "24.061"),
        (shown("21.5", Function.TEMPERATURE), "temperature"),
        (shown("24.06", flags=frozenset({Flag.MAXIMUM})), "maximum"),
        (shown("24.06", scale=9), "9"),
    ],
)
def test_what_the_frame_cannot_show_is_refused(reading: Reading, what: str) -> None:
    with pytest.raises(ValueError, match=f"cannot show .*{what}"):
        encode(reading)
