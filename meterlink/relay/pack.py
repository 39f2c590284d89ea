"""A pack: some of a job's log as one message. Pure.

A pack is SenML (RFC 8428): a record for each line of the log, on a line of text of its own. A reading's record carries
what the meter showed; before that, under `line`, stands the line of the chain as an archive has it (`job` for the job's
own, `seal` for a seal). Whoever knows SenML reads the values; the office takes the lines alone, byte for byte, since
only these are hashed. A pack without lines asks how far the office has the job.

    [{"line":{...},"bn":"9d4a...:20261125-k7m4/","bt":1795598400,"n":"dc-voltage","u":"V","v":24.1,"t":0.5},
    {"line":{...},"n":"event/cue","vs":"","t":0.6},
    {"seal":{...},"n":"seal/37","vs":""}]

A long pack is deflated (zlib, RFC 1950): it begins with 0x78 then, and with `[` otherwise. A part of a photo is no
SenML: `photo SHA256 PART`, a line feed, then its bytes.
"""

import hashlib
import json
import re
import zlib
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from pydantic_core import from_json

from meterlink.errors import RecordError
from meterlink.outcome import Json
from meterlink.record.chain import Line
from meterlink.record.entry import Kind
from meterlink.record.measurements import base_of, measured_line
from meterlink.record.seal import Seal
from meterlink.record.store import Job
from meterlink.record.written import NewerError, read_job, read_seal, seal_line
from meterlink.relay.stretch import NO_LINES, Stretch

LARGEST_MESSAGE = 255 * 1024
"""Bytes: what the shipped broker configuration lets through."""
LARGEST_PACK = 8 * 1024 * 1024
"""Bytes of a pack's text: no line is longer, and no more is inflated."""
PHOTO_PART = 128 * 1024
"""Bytes of each part of a photo but the last."""
LARGEST_TIME = 2**63
"""Nanoseconds that no record can hold any more."""
_KINDS = frozenset(kind.value for kind in Kind)
_PLAIN_UP_TO = 2048
"""Bytes: a shorter pack is not worth deflating."""
_DEFLATED = 0x78


_NUMBER = "0|-?[1-9][0-9]{0,19}"
"""As a record writes it again: `007` would come back as another text, with another hash."""


def _lines(number: str, body: str, sha256: str, frame: str) -> re.Pattern[str]:
    return re.compile(
        rf'^\[?\{{"line":(\{{"at":\{{"monotonic_ns":"({number})","utc_ns":"({number})"\}},"body":({body}),'
        rf'"kind":"([a-z-]+)","prev":"({sha256})","raw":"({frame})","seq":([1-9][0-9]{{0,8}})),'
        rf'"sha256":"({sha256})"\}},"[^}}]{{0,2000}}\}}[,\]]$',
        re.MULTILINE,
    )


_LINES = _lines(_NUMBER, r"\{.*\}", "[0-9a-f]{64}", "(?:[0-9a-f]{2})*")
_ROUGHLY = _lines("[1-9][0-9]{0,19}", r"\{[^}]*\}|\{.*\}", ".{64}", "[0-9a-f]*")
"""The same for most lines, in a third of the time. A hash that is equal to one worked out here needs no look at each of
its letters; a body without an inner brace is found without a search from the end of the line. Times below 1 are left to
the close look."""
_HASH = re.compile("[0-9a-f]{64}")
_OTHER = re.compile(r'\[?\{"(job|seal)":(\{.*\}),"(?:bn|n)":"[^\n{}]{0,2000}\}[,\]]')
_ASKS = re.compile(r'\[\{[^\n{}]{0,400}"n":"ask","vs":""\}\]')
_PHOTO = re.compile(rb"photo ([0-9a-f]{64}) ([0-9]{1,4})\n")


_Row = tuple[int, str, int, int, str, bytes, str]


@dataclass(frozen=True, slots=True)
class Pack:
    """What came: a stretch of chain that is sound by itself. Whether it belongs anywhere is not known yet."""

    job: Job | None = None
    """The job's own line, where it is in the pack."""
    prev: str = ""
    """The hash that the first line names as that of the line before it."""
    lines: Stretch = NO_LINES
    """Each names the hash of the one before, and has the hash that it says."""
    seals: Sequence[Seal] = ()


@dataclass(frozen=True, slots=True)
class PhotoPart:
    """A part of a photo."""

    sha256: str
    """Of the whole photo."""
    part: int
    """Its number, from 0."""
    data: bytes


class NoPackError(Exception):
    """These bytes are no pack, or none that is sound; says why, first in a word."""


def write_pack(job: Job, own: bytes | None, lines: Iterable[Line], seals: Iterable[Seal] = ()) -> bytes:
    """Write a pack.

    Args:
        job: whose log.
        own: the job's own line as an archive has it, where that is to be in it.
        lines: in order, one after the other.
        seals: oldest first.

    Raises:
        RecordError: it does not fit into one message, even deflated.
    """
    records = _records(job, own, lines, seals)
    text = b"[" + b",\n".join(records) + b"]"
    packed = text if len(text) <= _PLAIN_UP_TO else zlib.compress(text, 6)
    if len(packed) > LARGEST_MESSAGE or len(text) > LARGEST_PACK:
        raise RecordError(f"job {job.id}: a line of {len(text)} bytes is too long to be sent; export the job instead")
    return packed


def write_photo_part(part: PhotoPart) -> bytes:
    """Write a part of a photo."""
    return b"photo %b %d\n%b" % (part.sha256.encode(), part.part, part.data)


def read_pack(data: bytes) -> Pack | PhotoPart:
    """Read what came over a log topic, and check all that can be checked of it alone.

    Raises:
        NoPackError: it is none, or not sound.
    """
    if len(data) > LARGEST_MESSAGE:
        raise NoPackError(f"malformed: {len(data)} bytes; at most {LARGEST_MESSAGE} are expected")
    if found := _PHOTO.match(data[:100]):
        if len(data) - found.end() > PHOTO_PART:
            raise NoPackError("malformed: a part of a photo is too large")
        return PhotoPart(found[1].decode(), int(found[2]), data[found.end() :])
    text = _inflated(data) if data[:1] == bytes([_DEFLATED]) else data
    try:
        return _read(text.decode())
    except UnicodeDecodeError as error:
        raise NoPackError("malformed: it is no UTF-8") from error


def _records(job: Job, own: bytes | None, lines: Iterable[Line], seals: Iterable[Seal]) -> Iterator[bytes]:
    base: Json = base_of(job)
    if own is not None:
        yield _record({**base, "n": "job", "vs": job.procedure}, b"job", own)
        base = {}
    for line in lines:
        yield _record({**base, **measured_line(job, line)}, b"line", line.written)
        base = {}
    for seal in seals:
        yield _record({**base, "n": f"seal/{seal.events}", "vs": ""}, b"seal", seal_line(seal))
        base = {}
    if base:
        yield json.dumps({**base, "n": "ask", "vs": ""}, separators=(",", ":")).encode()


def _record(measured: Json, key: bytes, written: bytes) -> bytes:
    # No brace but the last: so nothing behind the line can pass for another line.
    flat = json.dumps(measured, separators=(",", ":"))[1:-1].replace("{", "\\u007b").replace("}", "\\u007d")
    return b'{"%b":%b,%b}' % (key, written, flat.encode())


def _inflated(data: bytes) -> bytes:
    inflating = zlib.decompressobj()
    try:
        text = inflating.decompress(data, LARGEST_PACK)
    except zlib.error as error:
        raise NoPackError("malformed: it cannot be inflated") from error
    if not inflating.eof or inflating.unused_data:
        raise NoPackError("malformed: it is cut off, or inflates to more than any pack")
    return text


def _read(text: str) -> Pack:
    if _ASKS.fullmatch(text):
        return Pack()
    if text[:1] != "[" or text[-1:] != "]":
        raise NoPackError("malformed: it is no SenML pack")
    return _quickly(text) or _closely(text)


def _quickly(text: str) -> Pack | None:
    """Read a pack of nothing but sound lines, as nearly all are; None for any other.

    What `_sound` asks of each line is asked of all of them here, a column at a time.
    """
    found = _ROUGHLY.findall(text)
    if len(found) != text.count("\n") + 1:
        return None
    texts, monotonic_ns, utc_ns, bodies, kinds, prevs, raws, numbers, hashes = zip(*found, strict=True)
    seq, times = tuple(map(int, numbers)), (tuple(map(int, monotonic_ns)), tuple(map(int, utc_ns)))
    sound = (
        seq == tuple(range(seq[0], seq[0] + len(seq)))
        and _HASH.fullmatch(prevs[0])
        and prevs[1:] == hashes[:-1]
        and _KINDS.issuperset(kinds)
        and tuple(map(_hash, texts)) == hashes
        and max(map(max, times)) < LARGEST_TIME
        and all(map(_is_object, set(bodies)))  # a meter at rest shows the same again and again
    )
    try:
        frames = tuple(map(bytes.fromhex, raws))
    except ValueError:
        return None
    return Pack(None, prevs[0], Stretch(seq, kinds, *times, bodies, frames, hashes), []) if sound else None


def _closely(text: str) -> Pack:
    """Read any pack, record by record, and say what is wrong with it."""
    job, prev, seals = None, "", []
    lines: list[_Row] = []
    for number, record in enumerate(text.split("\n"), 1):
        if line := _LINES.fullmatch(record):
            prev = prev or line[6]
            lines.append(_sound(line, lines[-1] if lines else None))
            continue
        other = _OTHER.fullmatch(record)
        try:
            if other is None:
                raise ValueError
            if other[1] == "job":
                job = read_job(other[2].encode())
            else:
                seal = read_seal(other[2].encode())
                if not seal.events:  # it covers no line
                    raise ValueError
                seals.append(seal)
        except (KeyError, TypeError, ValueError, RecursionError, NewerError) as error:
            raise NoPackError(f"malformed: record {number} is not written as a log's lines are") from error
    return Pack(job, prev, Stretch(*zip(*lines, strict=True)), seals)


def _sound(line: re.Match[str], last: _Row | None) -> _Row:
    """Check that a line follows the last one, that it has its hash, and that a record can hold it."""
    text, monotonic_ns, utc_ns, body, kind, prev, raw, seq, sha256 = line.groups()
    number, monotonic, utc = int(seq), int(monotonic_ns), int(utc_ns)
    if last is not None and number != last[0] + 1:
        raise NoPackError(f"out of order: line {number} comes after line {last[0]}")
    if last is not None and prev != last[-1]:
        raise NoPackError(f"altered: line {number} does not follow the one before")
    if kind not in _KINDS:  # asked first: an unknown word could hide where body and kind meet
        raise NoPackError(f"malformed: line {number} is of a kind that this Steadypoint does not know")
    if _hash(text) != sha256:
        raise NoPackError(f"altered: line {number} has not the hash that it says")
    if not (-LARGEST_TIME < monotonic < LARGEST_TIME and -LARGEST_TIME < utc < LARGEST_TIME):
        raise NoPackError(f"malformed: line {number} has a time that no record can hold")
    if not _is_object(body):
        raise NoPackError(f"malformed: line {number} has a body that is no JSON object, or too deep")
    return number, kind, monotonic, utc, body, bytes.fromhex(raw), sha256


def _hash(text: str) -> str:
    """Return the hash of a line whose text was cut off before its last brace."""
    return hashlib.sha256(f"{text}}}".encode()).hexdigest()


def _is_object(body: str) -> bool:
    try:
        return isinstance(from_json(body, allow_inf_nan=False), dict)
    except ValueError:
        return False
