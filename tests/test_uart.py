"""What a port hears of characters sent with other settings, against the examples of published descriptions."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterlink.driver import LineSettings
from meterlink.seven_bit import SevenBits
from meterlink_sim.uart import character_seconds, received

PLAIN = LineSettings(9600)
SEVEN_ODD = LineSettings(9600, 7, "O")
BAUDS = st.sampled_from([600, 1200, 2400, 9600, 19200, 19230])


@st.composite
def lines(draw: st.DrawFn) -> LineSettings:
    stopbits = draw(st.sampled_from([1, 2]))
    return LineSettings(draw(BAUDS), draw(st.sampled_from([7, 8])), draw(st.sampled_from("NEOMS")), stopbits)


@given(line=lines(), data=st.binary(max_size=40))
def test_a_port_with_the_meter_s_own_settings_hears_what_was_sent(line: LineSettings, data: bytes) -> None:
    sent = bytes(byte & (1 << line.bytesize) - 1 for byte in data)
    assert received(sent, line, line) == sent


# CR LF and what an 8N1 receiver makes of it, and the ES51922 frame: the ES51922 article and the parity rules of a UART.
@pytest.mark.parametrize(
    ("line", "sent", "heard"),
    [
        (SEVEN_ODD, "0D 0A", "0D 8A"),
        (LineSettings(9600, 7, "E"), "0D 0A", "8D 0A"),
        (LineSettings(9600, 7, "N", 2), "0D", "8D"),
        (SEVEN_ODD, "31 30 37 33 39 33 3B 30 30 30 3A 30 0D 0A", "31 B0 37 B3 B9 B3 3B B0 B0 B0 BA B0 0D 8A"),
        (LineSettings(9600, 7, "N", 2), "44 43 20 20 32 2E 39 38 39", "C4 C3 A0 A0 B2 AE B9 B8 B9"),
    ],
)
def test_seven_bits_come_to_a_plain_port_with_parity_in_bit_7(line: LineSettings, sent: str, heard: str) -> None:
    assert received(bytes.fromhex(sent), line, PLAIN) == bytes.fromhex(heard)


@given(data=st.binary(min_size=40, max_size=200))
def test_the_parity_left_in_can_be_taken_off_again(data: bytes) -> None:
    sent = bytes(byte & 0x7F for byte in data)
    assert SevenBits("O").feed(received(sent, SEVEN_ODD, PLAIN)) == sent


def test_two_speeds_that_differ_by_little_understand_each_other() -> None:
    # The ES51922's 19230 baud and a port's 19200 differ by 0.16 %.
    frame = bytes.fromhex("31 30 37 33 39 33 3B 30 30 30 3A 30 0D 0A")
    assert received(frame, LineSettings(19230, 7, "O"), LineSettings(19200, 7, "O")) == frame


@given(data=st.binary(min_size=14, max_size=60), sent=BAUDS, heard=BAUDS)
def test_a_wrong_speed_gives_junk(data: bytes, sent: int, heard: int) -> None:
    if not 0.97 < sent / heard < 1.03:
        assert received(data, LineSettings(sent), LineSettings(heard)) != data


def test_a_port_that_is_much_too_slow_hears_fewer_characters() -> None:
    assert len(received(bytes(range(64)), LineSettings(19200), LineSettings(2400))) < 16


def test_how_long_a_character_takes() -> None:
    # 8N1, 7O1 and 7N2 are characters of ten bits, 8E1 of eleven.
    ten = [LineSettings(2400), LineSettings(2400, 7, "O"), LineSettings(2400, 7, "N", 2)]
    assert [character_seconds(line) for line in ten] == [10 / 2400] * 3
    assert character_seconds(LineSettings(9600, 8, "E")) == 11 / 9600
