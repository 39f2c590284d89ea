"""What every wire format owes, whatever its frames look like: the laws of `meterlink.driver.Decoder`.

A test file names its format and its frames, and calls the laws. A frame is the bytes of one whole reading or notice.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

from hypothesis import strategies as st

from frames import NOW, Vector, fields
from meterlink.driver import Decoder, Format, Notice
from meterlink.reading import Reading

NO_OPTIONS: Mapping[str, str] = {}

Item = Reading | Notice


@dataclass(frozen=True)
class Cut:
    """A stream of frames, and the same bytes in chunks as they might arrive."""

    frames: list[bytes]
    chunks: list[bytes]


@st.composite
def cuts(draw: st.DrawFn, frames: Sequence[bytes], most: int = 6) -> Cut:
    """Draw some of the frames in any order, cut anywhere: inside frames, between them, empty chunks too."""
    chosen = draw(st.lists(st.sampled_from(frames), max_size=most))
    stream = b"".join(chosen)
    places = sorted(draw(st.lists(st.integers(0, len(stream)), max_size=8)))
    return Cut(chosen, [stream[start:end] for start, end in pairwise([0, *places, len(stream)])])


def decode(wire: Format, data: bytes, options: Mapping[str, str] = NO_OPTIONS) -> list[Item]:
    """Return what a fresh decoder makes of the data."""
    return list(wire.decoder(options).feed(data, NOW))


def readings(wire: Format, data: bytes, options: Mapping[str, str] = NO_OPTIONS) -> list[Reading]:
    """Return the readings alone; a notice among them is an error of the test."""
    items = decode(wire, data, options)
    assert not [item for item in items if isinstance(item, Notice)]
    return [item for item in items if isinstance(item, Reading)]


def the_vector_decodes(wire: Format, vector: Vector, options: Mapping[str, str] = NO_OPTIONS) -> None:
    """The bytes give one item, which says what the display shows and keeps the bytes and the time."""
    (item,) = decode(wire, vector.data, options)
    assert fields(item) == vector.expected
    assert (item.raw, item.at) == (vector.data, NOW)


def an_item_comes_with_the_last_byte(wire: Format, frame: bytes, options: Mapping[str, str] = NO_OPTIONS) -> None:
    """One byte at a time, nothing comes before the frame's last byte and nothing is left for later."""
    decoder = wire.decoder(options)
    assert [len(decoder.feed(bytes([byte]), NOW)) for byte in frame] == [0] * (len(frame) - 1) + [1]


def splits_change_nothing(wire: Format, cut: Cut, options: Mapping[str, str] = NO_OPTIONS) -> None:
    """Chunk borders carry no meaning: the items are those of each frame by itself, and no byte is skipped."""
    decoder = wire.decoder(options)
    items = [item for chunk in cut.chunks for item in decoder.feed(chunk, NOW)]
    assert items == [item for frame in cut.frames for item in decode(wire, frame, options)]
    assert len(items) == len(cut.frames)
    assert decoder.skipped == 0


def noise_costs_no_frame(
    wire: Format, parts: Sequence[tuple[bytes, bytes]], tail: bytes, options: Mapping[str, str] = NO_OPTIONS
) -> None:
    """Each part is noise and the frame after it: every frame is decoded, and the noise is no reading."""
    stream = b"".join(noise + frame for noise, frame in parts) + tail
    assert [item.raw for item in decode(wire, stream, options)] == [frame for _, frame in parts]


def the_next_good_frame_decodes(
    wire: Format, damaged: bytes, good: bytes, options: Mapping[str, str] = NO_OPTIONS
) -> None:
    """A damaged frame gives nothing, and the very next good one is decoded."""
    decoder = wire.decoder(options)
    assert list(decoder.feed(damaged, NOW)) == []
    assert [item.raw for item in decoder.feed(good, NOW)] == [good]


def only_whole_stretches_decode(
    wire: Format, stream: bytes, good: bytes, options: Mapping[str, str] = NO_OPTIONS
) -> None:
    """Whatever is read from a damaged stream stands in it in one piece, and the next good frame is decoded."""
    decoder = wire.decoder(options)
    assert all(item.raw in stream for item in decoder.feed(stream, NOW))
    assert [item.raw for item in decoder.feed(good, NOW)][-1:] == [good]


def every_byte_is_accounted_for(
    wire: Format, noise: bytes, most_held: int, options: Mapping[str, str] = NO_OPTIONS
) -> None:
    """Every byte is decoded, skipped or held, and what is held is bounded."""
    decoder = wire.decoder(options)
    decoded = sum(len(item.raw) for item in decoder.feed(noise, NOW))
    assert 0 <= len(noise) - decoded - decoder.skipped <= most_held


def it_refuses(wire: Format, frame: bytes, good: bytes, options: Mapping[str, str] = NO_OPTIONS) -> None:
    """The frame gives nothing, the next good one is decoded, and the bytes of the first count as skipped."""
    decoder = wire.decoder(options)
    assert list(decoder.feed(frame, NOW)) == []
    assert [item.raw for item in decoder.feed(good, NOW)] == [good]
    assert decoder.skipped == len(frame)


def it_never_asks(wire: Format, options: Mapping[str, str] = NO_OPTIONS) -> None:
    """A streaming format sends nothing."""
    decoder: Decoder = wire.decoder(options)
    assert not wire.polled
    assert decoder.poll(NOW) == b""
