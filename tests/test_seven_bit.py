"""Seven-bit characters with their parity bit in bit 7, or taken off already.

The 8N1 view of a 7O1 stream is the published capture of the 22000-count part, in the dossier's section 3a form: each
byte of `107393;000:0` CR LF with odd parity.
"""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterlink.seven_bit import DAMAGED, SevenBits

TEXT = b"107393;000:0\r\n"
AS_8N1 = bytes.fromhex("31 B0 37 B3 B9 B3 3B B0 B0 B0 BA B0 0D 8A")


def with_parity(text: bytes, parity: str) -> bytes:
    """Set bit 7 as a 7-bit line of this parity would."""
    odd = parity == "O"
    return bytes(
        byte | 0x80 * (parity in "MN" or (parity in "OE" and odd == (byte.bit_count() % 2 == 0))) for byte in text
    )


def test_the_published_8n1_view_of_a_7o1_frame_is_read() -> None:
    assert with_parity(TEXT, "O") == AS_8N1
    assert SevenBits("O").feed(AS_8N1) == TEXT


@pytest.mark.parametrize("parity", ["O", "E", "M", "N", "S"])
@given(texts=st.lists(st.binary(min_size=1, max_size=20), max_size=20))
def test_every_stream_of_seven_bit_characters_comes_through_with_and_without_its_parity(
    parity: str, texts: list[bytes]
) -> None:
    texts = [bytes(byte & 0x7F for byte in text) for text in texts]
    kept, off = SevenBits(parity), SevenBits(parity)
    assert [kept.feed(with_parity(text, parity)) for text in texts] == texts
    assert [off.feed(text) for text in texts] == texts


@given(place=st.integers(0, 13), bit=st.integers(0, 7))
def test_one_turned_bit_in_a_stream_with_parity_is_seen(place: int, bit: int) -> None:
    stream = SevenBits("O")
    stream.feed(AS_8N1 * 3)
    damaged = bytearray(AS_8N1)
    damaged[place] ^= 1 << bit
    got = stream.feed(bytes(damaged))
    assert got[place] == DAMAGED
    assert got[:place] + got[place + 1 :] == TEXT[:place] + TEXT[place + 1 :]
    assert stream.feed(AS_8N1) == TEXT


@given(junk=st.binary(max_size=200))
def test_junk_in_a_stream_without_parity_bits_spoils_no_more_than_a_few_characters_behind_it(junk: bytes) -> None:
    stream = SevenBits("O")
    stream.feed(TEXT * 3 + junk)
    assert stream.feed(TEXT * 3)[-14:] == TEXT
