"""The chain: every line of a job's log carries the SHA-256 of the one before, so none changes, goes or moves unseen.

Byte for byte, so that anyone can write a verifier of their own:

- The job's own line is number 0, its text the canonical JSON (RFC 8785) of `{"chain": 1, "job": {...}}`: all that is
  kept of how the job began.
- The text of line n is the canonical JSON of `{"at": {"monotonic_ns", "utc_ns"}, "body", "kind", "prev", "raw",
  "seq"}`: times in nanoseconds as decimal text (they go beyond what a JSON number holds exactly), `body` the entry's
  body as a JSON object, `prev` the hash of line n - 1, `raw` the meter's frame in hex, `seq` the number n.
- A line's hash is the SHA-256 of its text in UTF-8, in lower-case hex.

The body is stored as canonical JSON, so the text of a line is put together from the stored bytes and never parsed: one
stored byte changed is another text.
"""

import hashlib
import re
from collections.abc import Mapping
from typing import NamedTuple

import rfc8785

from meterlink.outcome import Json

VERSION = 1
"""Goes up when what is hashed changes."""

_KIND = re.compile(rb"[a-z-]+")
_LINE = re.compile(
    rb'\{"at":\{"monotonic_ns":"(0|-?[1-9][0-9]*)","utc_ns":"(0|-?[1-9][0-9]*)"\},"body":(\{.*\}),"kind":"([a-z-]+)",'
    rb'"prev":"([0-9a-f]{64})","raw":"((?:[0-9a-f]{2})*)","seq":([1-9][0-9]{0,8}),"sha256":"([0-9a-f]{64})"\}'
)
_HASH = len(b',"sha256":""}') + 64
"""Bytes at the end of a written line that its hash takes."""


class Line(NamedTuple):
    """A line of a log as it is found, not yet trusted."""

    seq: int
    monotonic_ns: bytes
    """As decimal text."""
    utc_ns: bytes
    """As decimal text."""
    kind: bytes
    body: bytes
    raw: bytes
    """The frame itself, not in hex."""
    prev: bytes
    """The hash it says the line before has, in hex."""
    sha256: bytes
    """The hash it says it has, in hex."""

    @property
    def text(self) -> bytes:
        """What is hashed."""
        return b'{"at":{"monotonic_ns":"%b","utc_ns":"%b"},"body":%b,"kind":"%b","prev":"%b","raw":"%b","seq":%d}' % (
            self.monotonic_ns,
            self.utc_ns,
            self.body,
            self.kind,
            self.prev,
            self.raw.hex().encode(),
            self.seq,
        )

    @property
    def fits(self) -> bool:
        """Whether it has the hash that it says. A kind that is no word could hide where body and kind meet."""
        return _KIND.fullmatch(self.kind) is not None and digest(self.text) == self.sha256

    @property
    def written(self) -> bytes:
        """The line as an archive has it: its text with its hash as the last key."""
        return with_hash(self.text, self.sha256)


def canonical(value: Mapping[str, object]) -> bytes:
    """Write JSON in its canonical form.

    Raises:
        ValueError: a whole number beyond 2^53, or a text that is no Unicode.
    """
    return rfc8785.dumps(dict(value))  # type: ignore[arg-type] # it takes what `json` takes


def digest(text: bytes) -> bytes:
    """Return the hash of a text, in hex."""
    return hashlib.sha256(text).hexdigest().encode()


def job_text(job: Json) -> bytes:
    """Return the text of a job's own line."""
    return canonical({"chain": VERSION, "job": job})


def with_hash(text: bytes, sha256: bytes) -> bytes:
    """Put a hash into the text of a line, as its last key."""
    return b'%b,"sha256":"%b"}' % (text[:-1], sha256)


def without_hash(written: bytes) -> tuple[bytes, bytes] | None:
    """Take the hash out again; None where there is none at the end."""
    text, sha256 = written[:-_HASH] + b"}", written[-66:-2]
    return (text, sha256) if with_hash(text, sha256) == written else None


def read_line(written: bytes) -> Line | None:
    """Read a line of an archive; None where it is not in that form."""
    found = _LINE.fullmatch(written)
    if found is None:
        return None
    monotonic_ns, utc_ns, body, kind, prev, raw, seq, sha256 = found.groups()
    return Line(int(seq), monotonic_ns, utc_ns, kind, body, bytes.fromhex(raw.decode()), prev, sha256)
