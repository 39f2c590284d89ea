"""Formats described in a file beside the same formats in code: what one refuses, the other refuses, on every stream."""

import random
from collections.abc import Iterator

import pytest
from hypothesis import given
from hypothesis import strategies as st

from format_laws import (
    an_item_comes_with_the_last_byte,
    cuts,
    every_byte_is_accounted_for,
    it_never_asks,
    splits_change_nothing,
    the_next_good_frame_decodes,
    the_vector_decodes,
)
from frames import Vector, vectors
from meterlink.described.files import shipped_descriptions
from meterlink.driver import Decoder
from meterlink.reading import Instant
from meterlink.registry import format_names, load_format

SEED = 20_260
FRAMES = 200_000
PAUSES_NS = (0, 0, 0, 1_000_000, 49_999_999, 50_000_001, 100_000_000, 100_000_001)
"""Both sides of the silences that end a begun frame."""
NAMES = sorted(shipped_descriptions())
VECTORS = {name: [vector.data for vector in vectors(name)] for name in NAMES}
TWINS = {name: load_format(f"described:{name}") for name in NAMES}
ALL = [(name, vector) for name in NAMES for vector in vectors(name)]

of_each = pytest.mark.parametrize("name", NAMES)


class Pair:
    """Both decoders on one stream. They must agree after every chunk."""

    def __init__(self, name: str) -> None:
        self.name = name
        self.coded: Decoder = load_format(name).decoder({})
        self.described: Decoder = TWINS[name].decoder({})
        self.now_ns = 0

    def feed(self, chunk: bytes, later_ns: int = 0) -> int:
        """Feed both; return how many readings they agreed on."""
        self.now_ns += later_ns
        at = Instant(self.now_ns, self.now_ns)
        coded, described = self.coded.feed(chunk, at), self.described.feed(chunk, at)
        assert list(described) == list(coded), f"{self.name}: {chunk.hex(' ')}"
        return len(coded)

    def settle(self) -> None:
        """Bring both to the end of a good frame, where no byte is held back, and compare what they threw away."""
        for _ in range(2):
            self.feed(VECTORS[self.name][0], 1_000_000_000)
        assert self.described.skipped == self.coded.skipped


def damaged(generator: random.Random, frames: list[bytes]) -> bytes:
    """A frame with nothing, something or everything wrong."""
    frame = bytearray(generator.choice(frames))
    for _ in range(generator.choice((0, 1, 1, 2, 3, 6))):
        place = generator.randrange(len(frame)) if frame else 0
        match generator.randrange(8):
            case 0 | 1 | 2:  # other contents in the right shape
                frame[place : place + 1] = [frame[place] & 0xF0 | generator.randrange(16)] if frame else []
            case 3 | 4:
                frame[place : place + 1] = [frame[place] ^ 1 << generator.randrange(8)] if frame else []
            case 5:
                frame[place : place + 1] = generator.randbytes(1)
            case 6:
                del frame[place : place + 1]
            case _:
                frame[place:place] = generator.choice((generator.randbytes(1), b"\xf0", bytes(frame[:place])))
    return bytes(frame)


def chunks(generator: random.Random, stream: bytes) -> Iterator[bytes]:
    start = 0
    while start < len(stream):
        end = start + generator.choice((1, 2, 3, 7, 14, 20, 100))
        yield stream[start:end]
        start = end


@of_each
def test_200_000_damaged_frames_give_the_same_readings_at_the_same_bytes(name: str) -> None:
    generator = random.Random(SEED)
    pair, agreed = Pair(name), 0
    for _ in range(FRAMES // 100):
        stream = b"".join(damaged(generator, VECTORS[name]) for _ in range(100))
        for chunk in chunks(generator, stream):
            pair.feed(b"", generator.choice((0, 0, 60_000_000)))  # nothing is no news
            agreed += pair.feed(chunk, generator.choice(PAUSES_NS))
        pair.settle()
    assert agreed > FRAMES // 10  # not all were refused, so something was compared


@of_each
@given(data=st.data())
def test_any_stream_of_frames_and_noise_reads_the_same(name: str, data: st.DataObject) -> None:
    piece = st.sampled_from(VECTORS[name]) | st.binary(max_size=20)
    pair = Pair(name)
    for chunk in data.draw(st.lists(piece, max_size=8)):
        pair.feed(chunk)
    pair.settle()


@of_each
@given(data=st.data())
def test_one_byte_that_is_any_other_reads_the_same(name: str, data: st.DataObject) -> None:
    frame = data.draw(st.sampled_from(VECTORS[name]))
    place, byte = data.draw(st.integers(0, len(frame) - 1)), data.draw(st.integers(0, 255))
    pair = Pair(name)
    for each in frame[:place] + bytes([byte]) + frame[place + 1 :]:
        pair.feed(bytes([each]))
    pair.settle()


@of_each
def test_all_that_lists_show_of_the_twins_is_the_same(name: str) -> None:
    coded, described = load_format(name), TWINS[name]
    for field in ("name", "summary", "confidence", "line", "look_alikes", "polled"):
        assert getattr(described, field) == getattr(coded, field), field
    assert described.options == {}


@pytest.mark.parametrize(("name", "vector"), ALL, ids=[f"{name}: {vector.shown}" for name, vector in ALL])
def test_each_vector_decodes_to_what_the_display_shows(name: str, vector: Vector) -> None:
    the_vector_decodes(TWINS[name], vector)
    an_item_comes_with_the_last_byte(TWINS[name], vector.data)


@of_each
@given(data=st.data())
def test_any_split_gives_the_same_readings(name: str, data: st.DataObject) -> None:
    splits_change_nothing(TWINS[name], data.draw(cuts(VECTORS[name])))


@of_each
@given(data=st.data())
def test_a_frame_that_was_cut_off_costs_no_other(name: str, data: st.DataObject) -> None:
    frame = data.draw(st.sampled_from(VECTORS[name]))
    kept = data.draw(st.integers(0, len(frame) - 1))
    the_next_good_frame_decodes(TWINS[name], b"\x0c" + frame[1 : 1 + kept] + b"\x0c", VECTORS[name][0])


@of_each
@given(noise=st.binary(max_size=300))
def test_every_byte_of_noise_is_skipped_decoded_or_held(name: str, noise: bytes) -> None:
    every_byte_is_accounted_for(TWINS[name], noise, len(VECTORS[name][0]) - 1)


@of_each
def test_it_never_asks(name: str) -> None:
    it_never_asks(TWINS[name])


def test_the_twins_are_loaded_by_a_name_of_their_own_and_not_listed() -> None:
    assert {"fs9721-lcd14", "stx-ascii16"} <= set(NAMES)
    assert not [name for name in format_names() if name.startswith("described:")]
